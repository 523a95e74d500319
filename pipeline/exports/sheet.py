"""Write the work list as one sheet: tick boxes, in the order in which one walks round the barrel.

In: sure jobs, notes, the machine. Out: a page that prints black on A4 and letter, and CSV.
"""

import csv
import io
import json
from dataclasses import dataclass
from html import escape

import numpy as np
import pyarrow as pa

from pipeline import tables, words
from pipeline.exports.csv_copy import plain
from pipeline.settings import Machine

SURE = 0.95  # certainty from which a job stands on the sheet, as on the report's first screen
SAME_PLACE_TURN = 1e-4  # turns; as notes of later turns are told to be of one pin
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
    """One tick box. Without a pin `turn` is None; angle and length are None where the barrel is not described."""

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
    def of_jobs(worklist: pa.Table, notes: dict[str, pa.Table], machines: dict[str, Machine]) -> "Sheet":
        """Put the jobs of a work list in order: what is no pin first, then pins by turn, angle and row.

        Parameters
        ----------
        worklist : table of contract worklist
        notes : dict of tables of contract notes
            By arrangement.
        machines : dict of Machine
            By set-up.
        """
        rows = worklist.to_pylist()
        sure = [row for row in rows if row["certainty"] >= SURE]
        lines = [line for row in sure for line in _lines(row, notes[row["arrangement"]], machines[row["setup"]])]
        lines.sort(key=lambda line: (line.turn is not None, line.turn or 0, line.degrees or 0.0, line.row or 0))
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
        "<p>Degrees and mm count from the index mark, 0 where the first note of a turn would strike, in the direction "
        "of rotation. → forward: in the direction of rotation; ← backward: against it.</p>"
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


def _lines(job: dict, notes: pa.Table, machine: Machine) -> list[Line]:
    """Return a line for each place on the barrel at which a job is done; one for a job that is at no pin."""
    said = f"{job['where']}: {job['correction']}"
    if not job["places"]:
        return [Line(job=said)]
    beat, turn = (tables.numbers(notes[name]) for name in ("score_beat", "barrel_turn"))
    strikers = np.array(notes["striker"].to_pylist(), object)
    lines = {}
    for place in json.loads(job["places"]):
        at = np.flatnonzero((strikers == place["striker"]) & (np.abs(beat - place["score_beat"]) < 1e-6))
        if len(at):
            line = _line(said, place, at[0], turn[at[0]], notes, machine)
            lines.setdefault((line.turn, line.degrees, line.striker, line.note if line.degrees is None else ""), line)
    return list(lines.values()) or [Line(job=said)]


def _line(said: str, place: dict, at: int, barrel_turn: float, notes: pa.Table, machine: Machine) -> Line:
    names = [striker.name for striker in machine.strikers]
    barrel = machine.barrel
    known = barrel.bars_per_turn is not None
    part = barrel_turn % 1.0
    part = 0.0 if 1.0 - part < SAME_PLACE_TURN else part
    return Line(
        job=said,
        striker=place["striker"],
        row=names.index(place["striker"]) + 1 if place["striker"] in names else None,
        turn=(int(np.floor(barrel_turn + SAME_PLACE_TURN)) + 1 if barrel.pins == "song" else 1) if known else 1,
        degrees=round(360.0 * part, 1) if known else None,
        from_mark_mm=round(np.pi * barrel.diameter_mm * part, 1) if known and barrel.diameter_mm else None,
        note=words.place(notes["bar"][int(at)].as_py(), notes["beat_in_bar"][int(at)].as_py()),
        move=_move(place["move_mm"]),
    )


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
