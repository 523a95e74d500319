"""Read the rows of a CSV file that spreadsheet programs and people save in many ways.

In: UTF-8 or UTF-16; commas, semicolons or tabs; decimal commas beside semicolons or in a single column; `sep=` lines,
comments, empty lines, any line ends. Out: stripped cells with their lines; each fault goes to `Faults`.
"""

import csv
import io
import re

from pipeline.settings.faults import Faults, read_text

_REMARK = re.compile(r"(?m)(^|(?<=\r))(#[^\r\n]*|sep=.(?=[\r\n]))")  # a spreadsheet may begin with "sep=;"
_SEPARATORS = ";,\t"  # the first where the heading has none: then a comma is a decimal one


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


def number_of(typed: str, separator: str) -> float | None:
    """Return the number that a cell holds, None where it holds none; a decimal comma counts unless commas separate."""
    text = typed if separator == "," else typed.replace(",", ".")
    if not re.fullmatch(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,3})?", text, re.ASCII):
        return None
    number = float(text)
    return number if abs(number) < 1e300 else None
