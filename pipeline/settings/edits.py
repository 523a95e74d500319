"""Read the corrections by hand: stretches of a recording's file that a person knows better.

In: a CSV, one line a stretch. Out: the corrections of each recording in the order of its file time.
"""

import re
from dataclasses import dataclass, field

from pipeline.settings.csv_rows import Heading, Row, columns_of, read_rows, rows_of
from pipeline.settings.faults import Faults, choice_of, slip

IGNORE, EXTRA, NOTE = ACTIONS = "ignore", "extra", "note_id"
_HEADING = Heading(("recording", "from_s", "to_s", "action"), ("note_id",), "recording,from_s,to_s,action,note_id")
_LONGEST_S = 1_000_000  # chosen: as long as a recording may be
_MOST_CHOICES = 12  # recordings that a fault lists


@dataclass(frozen=True)
class Edit:
    """One correction by hand, from `from_s` up to `to_s` of the recording's file.

    `ignore`: nothing there is used. `extra`: what was hit there is no strike of the arrangement. `note_id`: the hit
    there is the note `note_id`.
    """

    from_s: float
    to_s: float
    action: str
    note_id: int | None = None
    line: int = field(default=0, compare=False, repr=False)  # where it stands; it may move without another meaning

    def holds(self, time_s: float) -> bool:
        """Tell whether a time of the file lies in the stretch."""
        return self.from_s <= time_s < self.to_s

    @property
    def where(self) -> str:
        """Return the stretch as the report writes it: `12.1–12.9 s`."""
        return f"{self.from_s:.10g}\N{EN DASH}{self.to_s:.10g}\N{NO-BREAK SPACE}s"


def read_edits(path: str, arrangement_of: dict[str, str], faults: Faults) -> dict[str, tuple[Edit, ...]]:
    """Return the corrections of each recording that has some.

    Parameters
    ----------
    path : str
    arrangement_of : dict of str
        Arrangement of each recording that is listed.
    faults : Faults
    """
    found = read_rows(path, "the corrections by hand (CSV)", faults)
    if found is None:
        return {}
    rows, separator = found
    columns = columns_of(rows, separator, path, faults, _HEADING)
    if columns is None or not set(_HEADING.required) <= set(columns):
        return {}
    edits: dict[str, list[Edit]] = {}
    for row in rows_of(rows[1:], columns, separator, path, faults):
        recording, edit = _recording(row, arrangement_of), _edit(row)
        if recording and edit:
            edits.setdefault(recording, []).append(edit)
    for recording, of_one in edits.items():
        of_one[:] = sorted(dict.fromkeys(of_one), key=lambda edit: (edit.from_s, edit.to_s, edit.line))
        _note_contradictions(recording, of_one, path, faults)
    return {recording: tuple(of_one) for recording, of_one in edits.items()}


def note_unknown_notes(path: str, edits: tuple[Edit, ...], arrangement: str, n_notes: int, faults: Faults) -> None:
    """Note a fault for each note_id that the arrangement does not have; its notes count from 0."""
    for edit in edits:
        if edit.note_id is not None and edit.note_id >= n_notes:
            expected = f"a note_id of '{arrangement}', 0 to {n_notes - 1}"
            faults.add(path, edit.line, f"expected {expected}; found {edit.note_id}; correct it")


def _recording(row: Row, known) -> str | None:
    if (typed := row["recording"]) in known:
        return typed
    near = slip(typed, known)
    do = "" if near else f"use {choice_of(known)}" if 0 < len(known) <= _MOST_CHOICES else "see the list of recordings"
    row.fault("a recording of the list", f"'{typed[:60]}'{near}", do)
    return None


def _edit(row: Row) -> Edit | None:
    """Return the correction of a row, None after a fault."""
    before = len(row.faults)
    from_s, to_s = (_time_s(row, name) for name in ("from_s", "to_s"))
    if from_s is not None and to_s is not None and to_s <= from_s:
        row.fault("a to_s after from_s", f"from_s {from_s:.10g} and to_s {to_s:.10g}", "exchange or correct them")
    action = row["action"].casefold()
    if action not in ACTIONS:
        near = slip(action, ACTIONS)
        row.fault("an action", f"'{row['action'][:60]}'{near}", "" if near else f"use {choice_of(ACTIONS)}")
    note_id = _note_id(row, action)
    return Edit(from_s, to_s, action, note_id, row.line) if len(row.faults) == before else None


def _time_s(row: Row, name: str) -> float | None:
    if not row[name]:
        row.fault(f"seconds of the file in the column '{name}'", "nothing", "fill it in")
    return row.number(name, 0, _LONGEST_S)


def _note_id(row: Row, action: str) -> int | None:
    typed = row["note_id"]
    if action == NOTE:
        if not re.fullmatch(r"\d{1,9}", typed, re.ASCII):
            row.fault(
                f"a whole number in the column 'note_id' beside the action '{NOTE}'",
                f"'{typed[:60]}'" if typed else "nothing",
                "fill in the note that was struck",
            )
            return None
        return int(typed)
    if typed and action in ACTIONS:
        row.fault(f"no note_id beside the action '{action}'", f"'{typed[:60]}'", f"empty it, or write {NOTE}")
    return None


def _note_contradictions(recording: str, edits: list[Edit], path: str, faults: Faults) -> None:
    """Note a fault where two stretches overlap and cannot both be true; the same said twice is no fault."""
    latest: dict[tuple, Edit] = {}
    for edit in edits:
        meaning = edit.action, edit.note_id
        for other, earlier in latest.items():
            if other != meaning and earlier.to_s > edit.from_s:
                low, high = sorted((edit, earlier), key=lambda one: one.line)
                expected = f"expected one correction for each moment of '{recording}'"
                found = f"'{high.action}' for {high.where}, which overlaps '{low.action}' for {low.where}"
                do = f"delete or shorten it or the one in line {low.line}"
                faults.add(path, high.line, f"{expected}; found {found}; {do}")
                break
        if meaning not in latest or edit.to_s > latest[meaning].to_s:
            latest[meaning] = edit
