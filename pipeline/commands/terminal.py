"""Print lines as wide as the terminal, so that none is cut within a word; a line's later rows are indented."""

import shutil
import sys

COLUMNS = 60, 100  # of text, whatever the terminal's width; chosen


def columns() -> int:
    """Return how wide text is printed: as the terminal is, 80 where there is none."""
    return min(max(shutil.get_terminal_size((80, 24)).columns, COLUMNS[0]), COLUMNS[1])


def say(*lines: str) -> None:
    """Print lines; nothing where there are none."""
    for row in _rows(lines):
        print(row)


def say_faults(faults: tuple[str, ...]) -> None:
    """Print faults beside the output; one line each where nobody watches, for programs that read them."""
    print("\n".join(_rows(faults) if sys.stderr.isatty() else faults), file=sys.stderr)


def _rows(lines: tuple[str, ...]) -> list[str]:
    from pipeline import words

    return [row for line in lines for row in words.rows(line, columns())]
