"""Write the work list as one sheet: tick boxes, in the order in which one walks round the barrel.

In: sure jobs with their places, the machine. Out: a page that prints black on A4 and letter, and CSV.
"""

import csv
import io
import json
from dataclasses import dataclass
from html import escape

import pyarrow as pa

from pipeline import words
from pipeline.exports.csv_copy import plain
from pipeline.settings import Machine

_COLUMNS = ("done", "turn", "degrees", "mm from the index mark", "row", "striker", "note", "move", "job")
_STYLE = """
@page { margin: 14mm } body { font: 11pt sans-serif; color: #000; background: #fff; margin: 1em }
h1 { font-size: 15pt; margin: 0 0 .3em } p { margin: .3em 0 } .caution { border: 2pt solid #000; padding: .4em }
table { border-collapse: collapse; width: 100%; margin-top: .6em } th, td { border-bottom: .5pt solid #000;
padding: .25em .4em; text-align: left; vertical-align: top } td.n { text-align: right } tr { break-inside: avoid }
thead { display: table-header-group }
"""


@dataclass(frozen=True)
class Line:
    """One tick box: of a pin with its `note`. Turn, angle and length are None where the barrel is not described."""

    job: str
    striker: str = ""
    row: int | None = None
    turn: int | None = None
    degrees: float | None = None
    from_mark_mm: float | None = None
    note: str = ""
    move: str = ""


@dataclass(frozen=True)
class Sheet:
    """What stands on the sheet: the group that was measured, its lines, and how many findings are less sure."""

    of: str
    lines: tuple[Line, ...]
    n_unsure: int

    @staticmethod
    def of_jobs(worklist: pa.Table, machines: dict[str, Machine]) -> "Sheet":
        """Put the jobs of a work list in order: what is at no pin first, then pins by angle, turn and row.

        Parameters
        ----------
        worklist : table of contract worklist
        machines : dict of Machine
            By set-up.
        """
        rows = worklist.to_pylist()
        sure = [row for row in rows if row["certainty"] >= words.SURE_CERTAINTY]
        lines = [line for row in sure for line in _lines(row, machines[row["setup"]])]
        lines.sort(key=lambda line: (line.note != "", line.degrees or 0.0, line.turn or 0, line.row or 0))
        groups = dict.fromkeys(
            ", ".join(filter(None, [row["arrangement"], words.day(row["build_day"]), row["setup"]])) for row in rows
        )
        return Sheet("; ".join(groups), tuple(lines), len(rows) - len(sure))


def sheet_html(sheet: Sheet) -> str:
    """Return the sheet as a page that needs no network."""
    head = "".join(f"<th>{name}</th>" for name in _COLUMNS)
    body = "".join(_row(line) for line in sheet.lines)
    more = f"<p>{words.count(sheet.n_unsure, 'finding')} less sure: see the report.</p>" if sheet.n_unsure else ""
    what = (
        f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        if body
        else "<p>No job is sure enough to be done.</p>"
    )
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Work sheet</title><style>{_STYLE}</style>'
        f'<h1>Work sheet: {escape(sheet.of)}</h1><p class="caution">{escape(words.CAUTION)}</p>'
        "<p>Degrees and mm count from the index mark, 0 where the first beat of the song strikes, against the "
        "direction of rotation: what strikes later lies behind. → forward: in the direction of rotation; ← backward: "
        "against it.</p>"
        f"{what}{more}</html>\n"
    )


def sheet_csv(sheet: Sheet) -> str:
    """Return the sheet as CSV; the caution stands in the first line."""
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow([words.CAUTION])
    rows.writerow(_COLUMNS)
    for line in sheet.lines:
        rows.writerow(["", *(plain(cell) for cell in _cells(line))])
    return text.getvalue()


def _lines(job: dict, machine: Machine) -> list[Line]:
    """Return a line for each pin at which a job is done; one for a job that is at no pin."""
    said = f"{job['where']}: {job['correction']}"
    lines = {}
    for place in json.loads(job["places"] or "[]"):
        line = Line(
            job=said,
            striker=place["striker"],
            row=place["row"],
            turn=place["turn"],
            degrees=place["index_deg"],
            from_mark_mm=place["index_mm"],
            note=words.place(place["bar"], place["beat_in_bar"]),
            move=_move(place["move_mm"]),
        )
        # Where the same pins come round every turn, a pin has a place for each of its notes.
        comes_round = machine.barrel.pins == "turn" and line.degrees is not None
        lines.setdefault((line.row, line.degrees) if comes_round else (line.row, line.note), line)
    return list(lines.values()) or [Line(job=said)]


def _move(move_mm: float | None) -> str:
    if not move_mm:
        return ""
    return f"{'→' if move_mm > 0 else '←'} {words.millimetres(abs(move_mm))} {'forward' if move_mm > 0 else 'backward'}"


def _cells(line: Line) -> list:
    shown = [line.turn, line.degrees, line.from_mark_mm, line.row, line.striker, line.note, line.move, line.job]
    return ["" if cell is None else cell for cell in shown]


def _row(line: Line) -> str:
    cells = "".join(
        f'<td class="n">{cell:g}</td>' if isinstance(cell, (int, float)) else f"<td>{escape(cell)}</td>"
        for cell in _cells(line)
    )
    return f"<tr><td>☐</td>{cells}</tr>"
