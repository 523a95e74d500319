"""Read the rows of a CSV file that spreadsheet programs and people save in many ways.

In: UTF-8 or UTF-16; commas, semicolons or tabs; decimal commas beside semicolons or in a single column; `sep=` lines,
comments, empty lines, any line ends. Out: stripped cells with their lines; each fault goes to `Faults`.
"""

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.settings.faults import Faults, choice_of, read_text, slip

_REMARK = re.compile(r"(?m)(^|(?<=\r))(#[^\r\n]*|sep=.(?=[\r\n]))")  # a spreadsheet may begin with "sep=;"
_SEPARATORS = ";,\t"  # the first where the heading has none: then a comma is a decimal one


@dataclass(frozen=True)
class Heading:
    """The columns that a list may have; `shown` says in a fault how its heading begins."""

    required: tuple[str, ...]
    optional: tuple[str, ...]
    shown: str

    @property
    def known(self) -> tuple[str, ...]:
        """All names of columns."""
        return (*self.required, *self.optional)


@dataclass(frozen=True)
class Row:
    """One line of the list, its cells by column."""

    path: str
    line: int
    separator: str
    faults: Faults
    cells: dict[str, str]

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")

    def fault(self, expected: str, found: str, do: str = "") -> None:
        self.faults.add(self.path, self.line, f"expected {expected}; found {found}" + (f"; {do}" if do else ""))

    def number(self, column: str, low: float, high: float, default=None):
        """Return a number from `low` to `high`; in a list with semicolons a decimal comma is one."""
        typed = self[column]
        if not typed:
            return default
        number = number_of(typed, self.separator)
        if number is None or not low <= number <= high:
            self.fault(f"a number from {low} to {high} in the column '{column}'", f"'{typed}'")
            return default
        return number

    def one_of(self, column: str, choices: tuple[str, ...]) -> str:
        """Return the cell, which is one of the names configured."""
        if self[column] not in choices:
            near = slip(self[column], choices)
            do = (
                "" if near else f"use {choice_of(choices)}" if choices else "the configuration names none: add it there"
            )
            self.fault(f"a configured {column}", f"'{self[column]}'{near}", do)
        return self[column]


def read_rows(path: str, what: str, faults: Faults) -> tuple[list[tuple[int, list[str]]], str] | None:
    """Read a CSV file.

    Parameters
    ----------
    path : str
    what : str
        What is expected there, for the fault.
    faults : Faults

    Returns
    -------
    rows : list of (line, cells)
        Rows up to the first fault, the heading first; lines count from 1.
    separator : str
        None in place of both when the file cannot be read.
    """
    text = read_text(path, faults, what)
    if text is None:
        return None
    text = _REMARK.sub("", text)
    lines = (line for line in text.splitlines() if line.strip() and not line.startswith('"#'))
    separator = max(_SEPARATORS, key=next(lines, "").count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows, line = [], 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells) and not cells[0].startswith("#"):
                rows.append((line, [cell.strip() for cell in cells]))
            line = reader.line_num + 1
    except csv.Error as error:
        faults.add(path, line, f"expected CSV; found cells that cannot be told apart ({error}); check the quotes")
    return rows, separator


def columns_of(rows, separator: str, path: str, faults: Faults, heading: Heading) -> list[str] | None:
    """Return the names of the columns, '' for one that is not used; None when the heading cannot be used."""
    line, cells = rows[0] if rows else (None, [])
    cells = cells[: max((rank for rank, cell in enumerate(cells, 1) if cell), default=0)]
    if not any(cell.casefold() in heading.known for cell in cells):
        found = f"'{separator.join(cells)[:60]}'" if cells else "none"
        do = "put the names of the columns there, with commas between them"
        faults.add(path, line, f"expected a heading ({heading.shown}, …); found {found}; {do}")
        return None
    columns, guessed = [], ""
    for cell in cells:
        name = cell.casefold()
        if name not in heading.known:
            near = slip(cell, heading.known)
            guessed += near
            faults.add(path, line, f"unknown column '{cell}'{near or '; use ' + choice_of(heading.known)}")
        elif name in columns:
            faults.add(path, line, f"expected the column '{name}' once; found it again; delete one")
        columns.append(name if name in heading.known and name not in columns else "")
    for name in heading.required:
        if name not in columns and f"'{name}'" not in guessed:
            faults.add(path, line, f"expected the column '{name}'; found none; add it")
    return columns


def rows_of(rows, columns: list[str], separator: str, path: str, faults: Faults) -> Iterator[Row]:
    """Give each row its cells by column; a row that is too long is a fault."""
    for line, cells in rows:
        # A line that ends early leaves its last cells empty.
        filled = cells + [""] * (len(columns) - len(cells))
        row = Row(path, line, separator, faults, dict(zip(columns, filled, strict=False)))
        if any(cell for cell in cells[len(columns) :]):
            row.fault(f"at most {len(columns)} cells", f"{len(cells)}", "quote a text that holds a separator")
        yield row


def number_of(typed: str, separator: str) -> float | None:
    """Return the number that a cell holds, None where it holds none; a decimal comma counts unless commas separate."""
    text = typed if separator == "," else typed.replace(",", ".")
    if not re.fullmatch(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,3})?", text, re.ASCII):
        return None
    number = float(text)
    return number if abs(number) < 1e300 else None
