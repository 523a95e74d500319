"""Count which mistakes planted in a module its tests catch.

    python -m tests.benchmarks.mutants pipeline/trend/intervals.py tests/test_trend.py [MORE_TESTS ...] [-k WORDS]

Functions are changed by mutmut (from the package index; not among the pinned packages), one operator, number or text at
a time; the numbers of the module's constants are halved and doubled here, since mutmut leaves them alone. Both run in a
copy of the project. Prints the share caught, and each mutant that survived.
"""

import argparse
import ast
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
COPIED = ("pipeline", "tests", "config", "demo", "Snakefile", "pyproject.toml", "README.md", "DEVELOPERS.md")
LEFT_OUT = shutil.ignore_patterns("__pycache__", "recordings", "truth")
SETTING = """
[tool.mutmut]
source_paths = ["pipeline/"]
only_mutate = [{module!r}]
pytest_add_cli_args_test_selection = {tests!r}
pytest_add_cli_args = ["-p", "no:cacheprovider"]
also_copy = ["tests", "config", "demo", "Snakefile", "README.md", "DEVELOPERS.md"]
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("module")
    parser.add_argument("tests", nargs="+")
    parser.add_argument("-k", default="", help="words that choose among the tests, as pytest takes them")
    parser.add_argument("--only", choices=("functions", "constants"), help="only these")
    asked = parser.parse_args()
    chosen = [*asked.tests, *(["-k", asked.k] if asked.k else [])]
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder, "copy")
        copy.mkdir()
        for name in COPIED:
            source = ROOT / name
            shutil.copytree(source, copy / name, ignore=LEFT_OUT) if source.is_dir() else shutil.copy(source, copy)
        caught = survived = 0
        for kind, look in (("functions", functions), ("constants", constants)):
            if asked.only in (None, kind):
                found = look(copy, asked.module, chosen)
                caught, survived = caught + found[0], survived + len(found[1])
                print(f"{kind}: {found[0]} of {found[0] + len(found[1])} caught")
                print("\n".join(f"  survived: {one}" for one in found[1]))
    print(f"{asked.module}: {caught} of {caught + survived} caught ({caught / max(1, caught + survived):.1%})")


def functions(copy: Path, module: str, chosen: list[str]) -> tuple[int, list[str]]:
    """Return how many of mutmut's mutants were caught, and the names of those that were not."""
    with open(copy / "pyproject.toml", "a", encoding="utf-8") as sink:
        sink.write(SETTING.format(module=module, tests=chosen))
    run = subprocess.run([sys.executable, "-m", "mutmut", "run", "--max-children", "1"], cwd=copy, **_quiet())
    listed = subprocess.run([sys.executable, "-m", "mutmut", "results", "--all", "true"], cwd=copy, **_quiet()).stdout
    outcome = dict(re.findall(r"^\s*(\S+): (.+)$", listed, re.MULTILINE))
    if not outcome:
        sys.exit(f"mutmut tried no mutant; its last words:\n{run.stdout[-2000:]}")
    left = sorted(name for name, word in outcome.items() if word not in ("killed", "timeout", "segfault"))
    return len(outcome) - len(left), left


def constants(copy: Path, module: str, chosen: list[str]) -> tuple[int, list[str]]:
    """Halve and double each number in the module's constants; return how many were caught, and those that were not."""
    path = copy / module
    source = path.read_text(encoding="utf-8")
    lines, caught, left = source.splitlines(keepends=True), 0, []
    for name, number in _numbers(source):
        at, text = number.lineno - 1, ast.get_source_segment(source, number)
        for factor in ("/ 2", "* 2"):
            line = lines[at].encode()
            mutant = line[: number.col_offset] + f"({text} {factor})".encode() + line[number.end_col_offset :]
            path.write_text("".join([*lines[:at], mutant.decode(), *lines[at + 1 :]]), encoding="utf-8")
            run = subprocess.run(
                [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *chosen], cwd=copy, **_quiet()
            )
            if run.returncode == 0:
                left.append(f"{name} (line {number.lineno}): {text} {factor}")
            caught += run.returncode != 0
    path.write_text(source, encoding="utf-8")
    return caught, left


def _numbers(source: str):
    """Yield (name, node) for each number other than 0 that stands in a constant of a module."""
    for statement in ast.parse(source).body:
        if isinstance(statement, ast.Assign) and ast.unparse(statement.targets[0]).strip("()_")[:1].isupper():
            for node in ast.walk(statement.value):
                if isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.value:
                    yield ast.unparse(statement.targets[0]), node


def _quiet() -> dict:
    return {
        "capture_output": True,
        "text": True,
        "env": os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"},
    }


if __name__ == "__main__":
    main()
