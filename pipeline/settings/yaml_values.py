"""Read YAML with the line of every value, so that each fault can say where it stands.

The text is composed into nodes with PyYAML's safe loader and never constructed: no tag can run anything, and the
pitfalls of YAML 1.1 (`no` as false, 060 as 48, 2031-05-03 as a date object) do not arise, since each value is read
from the characters the user typed.
"""

import os
import re
from datetime import date

import yaml

from pipeline.errors import is_unprintable
from pipeline.settings.faults import Faults, beside, choice_of, near_file, path_fault, slip
from pipeline.settings.yaml_syntax import plain_fault

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?")
_LEADING_ZERO = re.compile(r"[-+]?0\d+(\.\d*)?")
_STANDARD_TAG = "tag:yaml.org,2002:"
_PLAIN_TAGS = {_STANDARD_TAG + kind for kind in "bool float int map merge null seq str timestamp value".split()}
_DAYS = tuple(
    re.compile(pattern, re.ASCII)
    for pattern in (
        r"(?P<year>\d{4})-(?P<month>\d{2})-(?P<day>\d{2})",
        r"(?P<year>\d{4})/(?P<month>\d{1,2})/(?P<day>\d{1,2})",
        r"(?P<day>\d{1,2})\.(?P<month>\d{1,2})\.(?P<year>\d{4})",
    )
)
_CURLY = "“”„‘’‚«»"  # word processors put them where YAML wants ' or "
_MOST = 1e12  # stands for "no limit"
_LEAST = 1e-6  # of what is not 0; chosen: below it nothing that is built or measured here lies


def compose(text: str, file: str, faults: Faults) -> "Value | None":
    """Return the root of the YAML `text`; None after a fault of syntax."""
    try:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        faults.add(file, *plain_fault(error, text))
        return None
    except yaml.YAMLError as error:
        # Characters that YAML forbids carry a position and no line.
        position = getattr(error, "position", None)
        line = text.count("\n", 0, position) + 1 if isinstance(position, int) else None
        faults.add(file, line, "expected text; found a control character that YAML forbids; delete it")
        return None
    except RecursionError:
        faults.add(file, None, "expected at most a few levels of nesting; found thousands; correct the brackets")
        return None
    if node is None or (node.tag == _STANDARD_TAG + "null" and not node.value):
        faults.add(file, None, "expected a configuration; found only comments; fill it from config/template.yaml")
        return None
    return Value(node, file, "", faults)


class Value:
    """One value of the configuration and its place; what cannot be read as asked is a fault, and the default counts."""

    def __init__(self, node: yaml.Node, file: str, what: str, faults: Faults):
        self.node, self.file, self.what, self.faults = node, file, what, faults
        if node.tag not in _PLAIN_TAGS:
            self.fault("a plain value", f"the tag '{node.tag}'", "leave the tag out")

    @property
    def line(self) -> int:
        return self.node.start_mark.line + 1

    @property
    def is_nothing(self) -> bool:
        return self.node.tag == _STANDARD_TAG + "null"

    @property
    def is_list(self) -> bool:
        return isinstance(self.node, yaml.SequenceNode)

    @property
    def is_mapping(self) -> bool:
        return isinstance(self.node, yaml.MappingNode)

    @property
    def is_scalar(self) -> bool:
        return isinstance(self.node, yaml.ScalarNode)

    def fault(self, expected: str, found: str | None = None, do: str = "") -> None:
        """Note a fault at this place."""
        self.say(f"expected {expected}; found {found or self._found()}" + (f"; {do}" if do else ""))

    def say(self, text: str) -> None:
        """Note a fault in words of its own."""
        self.faults.add(self.file, self.line, f"{self.what}: {text}" if self.what else text)

    def _found(self) -> str:
        if self.is_nothing:
            return "nothing"
        if self.is_list:
            return "a list"
        if self.is_mapping:
            return "a group of keys"
        shown = self.node.value if len(self.node.value) <= 80 else self.node.value[:77] + "..."
        return f"{shown!r}" if self.node.style is None else f"the quoted text {shown!r}"

    # --- single values -----------------------------------------------------------------------------------------

    def number(self, default, low: float = -_MOST, high: float = _MOST, above: bool = False):
        """Return a number from `low` (with `above`: greater than it) to `high`."""
        expected = f"a number {_range(low, high, above)}"
        typed = self.node.value.strip() if self.is_scalar else ""
        if not self.is_scalar or self.is_nothing or not _NUMBER.fullmatch(typed):
            self.fault(expected, do=_number_hint(typed) if typed else "")
            return default
        if self.node.style is not None:
            self.fault(expected, do="leave the quotes out")
            return default
        if _LEADING_ZERO.fullmatch(typed):
            self.fault(expected, do=f"leave the leading zero out: {typed.lstrip('+0') or '0'}")
            return default
        number = float(typed)
        if not low <= number <= high or (above and number == low) or 0 < abs(number) < _LEAST:
            self.fault(expected)
            return default
        return number

    def whole(self, default, low: int, high: int):
        """Return a whole number from `low` to `high`."""
        before = len(self.faults)
        number = self.number(None, low, high)
        if number is None:
            return default
        if number != int(number) and len(self.faults) == before:
            self.fault(f"a whole number {_range(low, high, False)}")
            return default
        return int(number)

    def text(self, default=None, what: str = "a text"):
        """Return the text as typed."""
        if not self.is_scalar or self.is_nothing or not self.node.value.strip():
            self.fault(what)
            return default
        text = self.node.value.strip()
        if any(is_unprintable(sign) for sign in text):
            self.fault(f"{what} of printable signs, on one line", repr(text))
            return default
        return text

    def path(self, default=None):
        """Return a path that the workflow can carry; the one typed starts at the folder of the configuration."""
        if not self.is_scalar or self.is_nothing or not self.node.value.strip():
            self.fault("a path")
            return default
        path = self.node.value  # a name may begin or end with a space when it is quoted
        if self.node.style in ("|", ">"):
            path = path.rstrip("\n")
        if path[0] in _CURLY:
            self.fault("a path", f"typographic quotes {path[0]}", "use straight ones, ' or \", or none")
            return default
        if wrong := path_fault(path):
            self.say(wrong)
            return default
        return beside(self.file, path)

    def require_file(self, path: str | None, what: str) -> None:
        """Note a fault when there is no file at `path`; None has its fault already."""
        if path is not None and not os.path.isfile(path):
            backslash = "\\" in path
            found = "a folder" if os.path.isdir(path) else "no file" + ("" if backslash else near_file(path))
            do = "write / for \\" if backslash else "correct the path (it starts at the folder of the configuration)"
            self.fault(f"{what} at '{path}'", found, do)

    def choice(self, default, choices):
        """Return one of `choices`."""
        if self.is_scalar and self.node.value in choices:
            return self.node.value
        near = slip(self.node.value, choices) if self.is_scalar else ""
        self.fault(choice_of(choices), self._found() + near)
        return default

    def day(self, default=None):
        """Return a date (`day_of`)."""
        typed = self.node.value.strip() if self.is_scalar else ""
        day = day_of(typed)
        if day is None:
            self.fault("a day as year-month-day, such as 2031-05-03")
            return default
        return day

    # --- groups ------------------------------------------------------------------------------------------------

    def items(self) -> "list[Value]":
        """Return the entries of a list; a single value counts as a list of one."""
        if self.is_list:
            return [
                Value(node, self.file, f"{self.what}, {_entry(node, rank)}", self.faults)
                for rank, node in enumerate(self.node.value, 1)
            ]
        return [] if self.is_nothing else [self]

    def named(self, kind: str) -> "list[tuple[str, Value]]":
        """Return the entries of a mapping whose keys are names that the user chose; they differ not only in case."""
        if not self.is_mapping:
            self.fault(f"the name of each {kind}, followed by ':' and what it is")
            return []
        around = self.what.rpartition(": ")[0]
        entries, seen = [], {}
        for key, node in self._pairs():
            name = key.node.value.strip() if key.is_scalar else ""
            if not name or key.is_nothing or any(is_unprintable(sign) for sign in name):
                key.fault(f"a name in one line for each {kind}")
                continue
            if (folded := name.casefold()) in seen:
                first = seen[folded]
                key.fault(
                    "every name once (whatever its case)", f"'{name}' again (first in line {first})", "rename one"
                )
                continue
            seen[folded] = key.line
            entries.append((name, Value(node, self.file, _within(around, f"{kind} '{name}'"), self.faults)))
        return entries

    def fields(self, optional: str, required: str = "") -> "Fields":
        """Return the known keys of a mapping with fixed keys; notes unknown, double and missing ones."""
        known, found = [*required.split(), *optional.split()], {}
        if not self.is_mapping:
            self.fault(f"keys ({', '.join(known)})")
            return Fields(self, {})
        lines, guessed = {}, ""
        for key, node in self._pairs():
            name = key.node.value if key.is_scalar else ""
            if name not in known:
                guessed += self._unknown(key, name, known)
            elif name in found:
                key.fault(f"the key '{name}' once", f"it again (first in line {lines[name]})", "delete one")
            else:
                lines[name] = key.line
                found[name] = Value(node, self.file, _within(self.what, name), self.faults)
        for name in required.split():
            if name not in found and f"'{name}'" not in guessed:
                self.fault(f"the key '{name}'", "none", "add it")
        return Fields(self, found)

    def _unknown(self, key: "Value", name: str, known: list[str]) -> str:
        """Note an unknown key; return the guess."""
        near = slip(name, known)
        do = "" if near else f"; use {choice_of(known)}"
        if name.isdecimal():
            do = "; a decimal comma? write the decimal point"
        if "\u00a0" in name:
            do = "; it holds a no-break space: type a plain one"
        key.say(f"unknown key '{name}'{near}{do}")
        return near

    def _pairs(self, within: tuple[yaml.Node, ...] = ()) -> "list[tuple[Value, yaml.Node]]":
        """Return keys and values with merge keys (`<<: *base`) unfolded; a key of one's own goes first.

        `within` are the mappings that merge this one: an anchor may stand within itself.
        """
        own, merged = [], []
        for key, node in self.node.value:
            if key.tag != _STANDARD_TAG + "merge":
                own.append((Value(key, self.file, self.what, self.faults), node))
                continue
            for base in node.value if isinstance(node, yaml.SequenceNode) else [node]:
                value = Value(base, self.file, self.what, self.faults)
                if not isinstance(base, yaml.MappingNode) or base is self.node or base in within:
                    value.fault("a mapping after '<<:'")
                else:
                    merged += value._pairs((*within, self.node))
        names = {key.node.value for key, _ in own if key.is_scalar}
        for key, node in merged:
            if key.is_scalar and key.node.value not in names:
                names.add(key.node.value)
                own.append((key, node))
        return own


class Fields:
    """The keys found in one mapping; for a key that was left out the default counts."""

    def __init__(self, value: Value, found: dict[str, Value]):
        self.value, self._found = value, found

    def __contains__(self, key: str) -> bool:
        return key in self._found

    def __getitem__(self, key: str) -> Value:
        return self._found[key]

    def get(self, key: str) -> Value | None:
        """Return the value, None when the key was left out or has nothing after it."""
        value = self._found.get(key)
        return None if value is None or value.is_nothing else value

    def number(self, key: str, default, low: float, high: float, above: bool = False):
        return self._found[key].number(default, low, high, above) if key in self._found else default

    def whole(self, key: str, default, low: int, high: int):
        return self._found[key].whole(default, low, high) if key in self._found else default

    def text(self, key: str, default=None):
        return self._found[key].text(default) if key in self._found else default

    def path(self, key: str, default=None):
        default = default and beside(self.value.file, default)
        return self._found[key].path(default) if key in self._found else default

    def choice(self, key: str, default, choices):
        return self._found[key].choice(default, choices) if key in self._found else default

    def day(self, key: str, default=None):
        return self._found[key].day(default) if key in self._found else default


def _within(around: str, what: str) -> str:
    return f"{around}: {what}" if around else what


def _entry(node: yaml.Node, rank: int) -> str:
    """Name an entry of a list by its key `name`, else by its rank."""
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            if key.value == "name" and isinstance(value, yaml.ScalarNode) and value.value:
                return f"'{value.value}'"
    return f"entry {rank}"


def day_of(typed: str) -> date | None:
    """Read a day: 2031-05-03, 2031/05/03 or 03.05.2031; None for anything else.

    05/03/2031 is none: half of the world reads the fifth of March, the other half the third of May.
    """
    for pattern in _DAYS:
        if match := pattern.fullmatch(typed):
            try:
                return date(int(match["year"]), int(match["month"]), int(match["day"]))
            except ValueError:
                return None
    return None


def _range(low: float, high: float, above: bool) -> str:
    if above:
        return f"above {low:g} and up to {high:g}" if high < _MOST else f"above {low:g}"
    return f"from {low:g} to {high:g}" if high < _MOST else f"from {low:g}"


def _number_hint(typed: str) -> str:
    if re.fullmatch(r"[-+]?\d+,\d+", typed):
        return f"write the decimal point: {typed.replace(',', '.')}"
    if match := re.match(r"([-+]?\d+(\.\d+)?)\s*[a-zA-Z%]+", typed):
        return f"leave the unit out: {match[1]}"
    if re.fullmatch(r"\d+(_\d+)+", typed):
        return f"write {typed.replace('_', '')}"
    return "write digits"
