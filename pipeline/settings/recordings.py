"""Read the list of recordings, a CSV that spreadsheet programs and people save in many ways."""

import os
import re
from dataclasses import dataclass
from datetime import date
from pathlib import PurePath

from pipeline.settings.configuration import Configuration
from pipeline.settings.csv_rows import Heading, Row, columns_of, read_rows, rows_of
from pipeline.settings.edits import IGNORE, Edit
from pipeline.settings.faults import Faults, beside, choice_of, path_fault, slip
from pipeline.settings.yaml_values import day_of

REQUIRED = ("recording", "file", "build_day")
OPTIONAL = ("rig", "arrangement", "setup", "session", "start_s", "stop_s", "crew", "note")
_ID = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*")
_HEADING = Heading(REQUIRED, OPTIONAL, ",".join((*REQUIRED, "rig")))
_LONGEST_ID = 100  # letters; file systems allow 255, and temporary names and endings need room
_MOST_SESSIONS = 1000  # chosen: of one day
_LONGEST_S = 1_000_000  # chosen: a recording of eleven days
# Of lists of hits, as a table or from a trigger module; they name their strikers, so that a rig may be left out.
LIST_ENDINGS = (".csv", ".mid", ".midi", ".smf")


@dataclass(frozen=True)
class Recording:
    """One line of the list of recordings."""

    recording: str
    file: str
    build_day: date
    rig: str  # '' for a hit list that needs none
    arrangement: str
    setup: str = ""
    session: int = 1
    start_s: float | None = None
    stop_s: float | None = None
    crew: str = ""
    note: str = ""
    edits: tuple[Edit, ...] = ()  # corrections by hand

    def ignores(self, time_s: float) -> bool:
        """Tell whether a correction by hand says that nothing at this time of the file counts."""
        return any(edit.action == IGNORE and edit.holds(time_s) for edit in self.edits)

    @property
    def group_key(self) -> tuple[str, date, int, str]:
        """The values of `tables.GROUP_KEYS` of the group that it belongs to."""
        return self.arrangement, self.build_day, self.session, self.setup


def read_recordings(configuration: Configuration, faults: Faults) -> tuple[tuple[Recording, ...], dict[str, int]]:
    """Return the recordings in the order of the list, and the line of each."""
    path = configuration.recordings
    before = len(faults)
    found = read_rows(path, "the list of recordings (CSV)", faults)
    if found is None:
        return (), {}
    rows, separator = found
    columns = columns_of(rows, separator, path, faults, _HEADING)
    # Without these two no row means anything; with them the rows are still worth checking.
    if columns is None or not {"recording", "file"} <= set(columns):
        return (), {}
    recordings, lines = [], {}
    for row in rows_of(rows[1:], columns, separator, path, faults):
        recording = _recording(row, configuration)
        if (identity := recording.recording) and identity.casefold() in lines:
            first = lines[identity.casefold()]
            row.fault(
                "every recording once (whatever its case)", f"'{identity}' again (first in line {first})", "rename one"
            )
        lines.setdefault(identity.casefold(), row.line)
        recordings.append(recording)
    if "rig" not in columns:
        _note_missing_rigs(recordings, rows[0], path, faults)
    if not rows[1:] and len(faults) == before:
        faults.add(path, None, "expected at least one recording; found only the heading; add a line")
    return tuple(recordings), {recording.recording: lines[recording.recording.casefold()] for recording in recordings}


def _note_missing_rigs(recordings: list[Recording], heading: tuple[int, list[str]], path: str, faults: Faults) -> None:
    """Note a fault where there is no column rig and a recording needs one; a slip in its name has its own."""
    need = [one.recording for one in recordings if one.file and not is_list(one.file)]
    if need and not any("'rig'" in slip(cell, _HEADING.known) for cell in heading[1]):
        who = f"'{need[0]}'" + (f" and {len(need) - 1} more" if len(need) > 1 else "")
        faults.add(
            path,
            heading[0],
            f"expected the column 'rig'; found none, which {who} cannot do without (only lists of hits can); add it",
        )


def _recording(row: Row, configuration: Configuration) -> Recording:
    day = day_of(row["build_day"])
    if day is None and "build_day" in row.cells:
        row.fault("the build_day as year-month-day, such as 2031-05-03", f"'{row['build_day']}'")
    session = row.number("session", 1, _MOST_SESSIONS, 1.0)
    if session != int(session):
        row.fault("a whole number in the column 'session'", f"'{row['session']}'")
    start_s, stop_s = (row.number(name, 0, _LONGEST_S) for name in ("start_s", "stop_s"))
    if stop_s is not None and stop_s <= (start_s or 0):
        row.fault("a stop_s after start_s", f"start_s {start_s or 0:g} and stop_s {stop_s:g}")
    return Recording(
        recording=_identity(row),
        file=_file(row, configuration),
        build_day=day,
        rig=_rig(row, configuration),
        arrangement=_arrangement(row, configuration),
        setup=row.one_of("setup", configuration.setup_names) if row["setup"] else "",
        session=int(session),
        start_s=start_s,
        stop_s=stop_s,
        crew=row["crew"],
        note=row["note"],
    )


def _identity(row: Row) -> str:
    identity = row["recording"]
    if not _ID.fullmatch(identity) or len(identity) > _LONGEST_ID:
        suggestion = re.sub(r"[^A-Za-z0-9_.-]+", "_", identity).strip("_")
        near = f" (did you mean '{suggestion}'?)" if _ID.fullmatch(suggestion) and suggestion != identity else ""
        row.fault(
            f"a recording's name: a letter, then letters, digits, _ . - (at most {_LONGEST_ID})",
            f"'{identity[:60]}'{near}",
        )
    return identity


def _file(row: Row, configuration: Configuration) -> str:
    if not row["file"]:
        row.fault("a file", "nothing", "fill in the column 'file'")
        return ""
    path = beside(configuration.path, row["file"])
    if wrong := path_fault(path):
        row.faults.add(row.path, row.line, wrong)
    elif os.path.isdir(path):
        for name in sorted(os.listdir(path)):
            if wrong := path_fault(os.path.join(path, name)):
                row.faults.add(row.path, row.line, wrong)
    return path


def _rig(row: Row, configuration: Configuration) -> str:
    if not row["rig"]:
        if "rig" in row.cells and not is_list(row["file"]):
            row.fault("a rig (only a list of hits needs none)", "nothing", f"use {choice_of(configuration.rig_names)}")
        return ""
    return row.one_of("rig", configuration.rig_names)


def _arrangement(row: Row, configuration: Configuration) -> str:
    names = configuration.arrangement_names
    if row["arrangement"]:
        return row.one_of("arrangement", names)
    if configuration.default_arrangement is None and len(names) > 1:
        row.fault("an arrangement", "nothing", f"use {choice_of(names)}, or set 'arrangement:' in the configuration")
    return configuration.default_arrangement or ""


def is_list(path: str) -> bool:
    """Tell by its ending whether a recording is a list of hits."""
    return PurePath(path).suffix.lower() in LIST_ENDINGS
