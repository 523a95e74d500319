"""Say in plain words what is wrong with YAML that cannot be read."""

import re

import yaml

# What the YAML library was in, and what it met, in the words of someone who edits a text file.
_WITHIN = {
    "while parsing a flow mapping": "within { }",
    "while parsing a flow sequence": "within [ ]",
    "while parsing a block mapping": "among keys",
    "while parsing a block collection": "in a list",
}
_MET = {
    "<block end>": "the same indent",
    "<block mapping start>": "another indent",
    "<block sequence start>": "a list",
    "<scalar>": "a text",
    "<stream end>": "the end of the file",
    "<document start>": "a line '---'",
    "the node content": "a value",
    "?": "a key",
}


def plain_fault(error: yaml.MarkedYAMLError, text: str) -> tuple[int | None, str]:
    """Return the line (from 1) and the words for a fault of syntax."""
    mark = error.problem_mark or error.context_mark
    lines = text.splitlines()
    here = lines[mark.line] if mark and mark.line < len(lines) else ""
    line = mark.line + 1 if mark else None
    if re.match(r" *\t", here):
        return line, "expected an indent of spaces; found a tab; replace it by spaces"
    words = _known(error) or _expected_and_met(error)
    hint = "check quotes, brackets and indents here and in the line above"
    return line, words or f"expected YAML; found a fault of syntax ({error.problem}); {hint}"


def _known(error: yaml.MarkedYAMLError) -> str | None:
    problem, context = error.problem or "", error.context or ""
    if match := re.match(r"found character '(.+)' that cannot start any token", problem):
        if match[1] == "\\t":
            return "expected a space; found a tab; replace it by a space"
        return f"expected a text; found '{match[1]}' at its start; put the text in quotes"
    if problem == "mapping values are not allowed here":
        do = "put a text that holds ': ' in quotes, or align the line with the one above"
        return f"expected one ':' in a line; found another, or another indent; {do}"
    if problem == "could not find expected ':'":
        return "expected ':' and a space after a key; found none; add them here or in the line above"
    if context == "while scanning a quoted scalar":
        found = problem.removeprefix("found ").replace("unexpected end of stream", "the end of the file")
        return f"expected the closing quotes of line {error.context_mark.line + 1}; found {found}; close them"
    if "single document" in context + problem:
        return "expected one configuration; found a line '---' that begins another; delete that line"
    return None


def _expected_and_met(error: yaml.MarkedYAMLError) -> str | None:
    match = re.match(r"expected (.*?),? but (?:got|found) (.*)", error.problem or "")
    if not match:
        return None
    expected, met = match.groups()
    for sign, word in _MET.items():
        expected, met = expected.replace(sign, word), met.replace(f"'{sign}'", word)
    within = _WITHIN.get(error.context or "", "")
    do = "align them" if met == "another indent" else "check brackets, quotes and the space after ':'"
    if within:
        within = f" {within} (begun in line {error.context_mark.line + 1})"
    return f"expected {expected}{within}; found {met}; {do}"
