"""Read hits that something else has detected.

In: a CSV list, or the MIDI file of a trigger module. Out: `HitList`, a table of contract `hits`, or InputError.
"""

import math
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from pipeline import midi, tables, words
from pipeline.errors import InputError
from pipeline.settings import Machine, Recording, Rig, players_of
from pipeline.settings.csv_rows import number_of, read_rows
from pipeline.settings.faults import Faults

MARKS = ("index", "click")  # strikers' names that mean a turn mark or a click
LIST_SE_S = 0.0005  # of a listed time without an error of its own; chosen: most triggers scan at 1 ms or faster
LONGEST_S = 6 * 3600.0  # chosen: a list beyond six hours is in milliseconds or samples, or damaged
LONGEST_USUAL_GAP_S = 20  # chosen: times further apart as a rule are no seconds; no tune strikes once in 20 s
LONGEST_GAP_S = 3600.0  # chosen: nobody leaves the recorder on for an hour between two strikes of a take
MOST_HITS = 500_000  # derived: six hours at 23 a second
MOST_CHANNELS = 1024  # chosen: no audio interface has more
MOST_REPEATED = 0.1  # share of a list; chosen: a list exported twice repeats half, a trigger's slips few
COLUMNS = ("hit_s", "channel", "striker", "level_db")
MOST_MILLISECONDS = 3000  # chosen, for the message only: a usual gap of 3 s in milliseconds; beyond it, samples
MOST_NAMES_TOLD = 5  # chosen: unknown names in one message
# The grid check, each on lists of tests/benchmarks/hits_health.py (word `lists`).
FINEST_GRID_S = 0.015  # derived: a 24th of a beat at 166 a minute; finer grids are a file's own resolution
FINEST_PART = 12  # chosen: the grid is looked for down to this part of the median gap
OFF_GRID_S = 0.0006  # measured: root mean square of hits that were moved to a grid; machines scatter by milliseconds
LEAST_GAPS_ON_GRID = 16  # chosen: fewer may lie on a grid by chance


class Row(NamedTuple):
    """One hit as its file has it: channel 0 where only a striker is named, striker '' where none is."""

    hit_s: float
    channel: int
    striker: str
    level_db: float


@dataclass(frozen=True)
class HitList:
    """Hits of a list, in the order of time; all are (n,) arrays or lists of n >= 1.

    hit_s : array
        From the beginning of the recording.
    channel : array of int
        0 where only a striker is named.
    striker : list of str or None
        None where unknown, of a turn mark and of a click.
    kind : list of str
        'strike', 'index' (turn mark) or 'click'.
    level_db : array
        NaN where unknown.
    """

    hit_s: np.ndarray
    channel: np.ndarray
    striker: list[str | None]
    kind: list[str]
    level_db: np.ndarray


def read_list(recording: Recording, rig: Rig | None, machine: Machine) -> HitList:
    """Read a list of hits as the rig's microphones heard them.

    Parameters
    ----------
    recording : Recording
        Its file is a CSV list or a MIDI file.
    rig : Rig or None
        Tells what a channel hears of which a hit names no striker; None: nobody knows.
    machine : Machine

    Raises
    ------
    InputError
        Not readable, no hits, times that cannot be seconds, or hits moved to a grid.
    """
    return as_heard(recording, rig, rows_of(Path(recording.file), machine))


def rows_of(path: Path, machine: Machine) -> list[Row]:
    """Read the rows of a list as they stand there, in the order of the file.

    Parameters
    ----------
    path : Path
        CSV with a column `hit_s` and perhaps `channel`, `striker`, `level_db`; or MIDI.
    machine : Machine
        Its strikers' names, former names and notes are known.

    Raises
    ------
    InputError
        Not readable, an unknown striker, or times that cannot be seconds.
    """
    if not path.exists():
        raise InputError(f"{path}: expected a list of hits; found no such file; mend 'file' or put it there")
    if not path.is_file():
        raise InputError(f"{path}: expected a list of hits; found no file but a folder, pipe or device; mend 'file'")
    return _csv_rows(path, machine) if path.suffix.lower() == ".csv" else _midi_rows(path, machine)


def as_heard(recording: Recording, rig: Rig | None, rows: list[Row]) -> HitList:
    """Return the hits of a list within the recording, as the rig's microphones heard them.

    A hit that names its channel and no striker is what the rig says of that channel: its only striker, the turn mark,
    the click, or one of several. A channel that the rig does not name hears nothing.

    Raises
    ------
    InputError
        No hits are left, or they were moved to a grid.
    """
    path = recording.file
    start_s, stop_s = recording.start_s or 0.0, math.inf if recording.stop_s is None else recording.stop_s
    rows = [row for row in (_through(rig, row) for row in rows) if row is not None]
    rows = sorted(row for row in rows if start_s <= row.hit_s < stop_s)
    if not rows:
        raise InputError(f"{path}: expected hits; found none; check the file, the rig's channels and start_s, stop_s")
    _check_grid(path, np.array([row.hit_s for row in rows if row.striker not in MARKS]))
    hit_s, channel, striker, level_db = (list(column) for column in zip(*rows, strict=True))
    kind = [name if name in MARKS else "strike" for name in striker]
    names = [name if what == "strike" and name else None for name, what in zip(striker, kind, strict=True)]
    return HitList(np.array(hit_s), np.array(channel), names, kind, np.array(level_db))


def count_on_unnamed_channels(rig: Rig | None, rows: list[Row]) -> dict[int, int]:
    """Count the rows that are left out, of each channel that the rig does not name."""
    return Counter(row.channel for row in rows if _through(rig, row) is None)


def table_of(listed: HitList) -> pa.Table:
    """Make the table of a list, contract `hits`."""
    n = len(listed.hit_s)
    return tables.build(
        "hits",
        {
            **vars(listed),
            "hit_id": np.arange(n),
            "hit_se": np.full(n, LIST_SE_S),
            "snr_db": np.full(n, np.nan),
            "probability": np.ones(n),
            "bands_db": np.full((n, tables.N_BANDS), np.nan, np.float32),
        },
    )


def _through(rig: Rig | None, row: Row) -> Row | None:
    """Return a row as the rig's microphone heard it; None where the rig names no such channel."""
    if rig is None or row.striker:
        return row
    channel = next((channel for channel in rig.channels if channel.channel == row.channel), None)
    if channel is None:
        return None
    only = channel.hears[0] if len(channel.hears) == 1 and channel.hears[0] != "everything" else ""
    return Row(row.hit_s - channel.delay_s, row.channel, only, row.level_db)


def _csv_rows(path: Path, machine: Machine) -> list[Row]:
    faults = Faults()
    found = read_rows(str(path), "a list of hits (CSV)", faults)
    faults.raise_all()
    rows, separator = found
    columns = _columns(path, rows)
    names = {striker.name for striker in machine.strikers} | set(MARKS)
    former = {striker.was: striker.name for striker in machine.strikers if striker.was}
    lines = [
        (line, dict(zip(columns, cells, strict=False))) for line, cells in rows[1:] if _fits(path, line, cells, columns)
    ]
    if len(lines) > MOST_HITS:
        raise InputError(f"{path}: expected at most {MOST_HITS} hits; found {len(lines)}; cut the recording into takes")
    _check_names(path, lines, names, former)
    read = [_csv_row(path, number, row, former, separator) for number, row in lines]
    _check_times(path, np.array([row.hit_s for row in read]))
    _check_repeats(path, [row for row in read if row.striker])
    return read


def _columns(path: Path, rows: list[tuple[int, list[str]]]) -> list[str]:
    """Return the names of the columns in small letters."""
    columns = [cell.casefold() for cell in rows[0][1]] if rows else []
    if "hit_s" not in columns:
        slip = "add a first line" if columns and _is_number(columns[0]) else "rename the column of times"
        found = ", ".join(columns) or "nothing"
        raise InputError(f"{path} (line {rows[0][0] if rows else 1}): expected a column hit_s; found {found}; {slip}")
    for name in COLUMNS:
        if columns.count(name) > 1:
            raise InputError(f"{path}: expected the column {name} once; found it again; delete one")
    return columns


def _fits(path: Path, line: int, cells: list[str], columns: list[str]) -> bool:
    if any(cells[len(columns) :]):
        found = f"{len(cells)} cells under {len(columns)} names"
        raise InputError(
            f"{path} (line {line}): expected a cell for each column; found {found}; "
            "decimal commas? then separate the cells by semicolons"
        )
    return True


def _check_names(path: Path, lines: list[tuple[int, dict]], names: set[str], former: dict[str, str]) -> None:
    """Raise InputError for the names that no striker has, in one line, with the line in which each first stands."""
    first = {}
    for number, row in lines:
        first.setdefault(row.get("striker", ""), number)
    unknown = {name: number for name, number in first.items() if name and name not in names and name not in former}
    if not unknown:
        return
    by_folded = {one.casefold(): one for one in names}
    told = [_unknown(*one, by_folded.get(one[0].casefold())) for one in list(unknown.items())[:MOST_NAMES_TOLD]]
    if len(unknown) > len(told):
        do = f"and {len(unknown) - len(told)} other unknown names; is this the list of another machine?"
    else:
        do = "was one renamed? then write 'was: its former name' beside its new name"
    raise InputError(
        f"{path}: expected the strikers' names ({', '.join(sorted(names))}); found {words.joined(told)}; {do}"
    )


def _unknown(name: str, line: int, close: str | None) -> str:
    return f"'{name}' (line {line}" + (f"; did you mean '{close}'?)" if close else ")")


def _csv_row(path: Path, number: int, row: dict, former: dict[str, str], separator: str) -> Row:
    where = f"{path} (line {number})"
    hit_s = _number(where, "hit_s", row.get("hit_s", ""), separator)
    if hit_s < 0:
        raise InputError(f"{where}: expected hit_s from 0 on, in seconds; found {hit_s:g}; shift the list")
    striker = row.get("striker", "")
    striker = former.get(striker, striker)
    channel = 0 if striker else 1
    if typed := row.get("channel", ""):
        channel = _number(where, "channel", typed, separator)
        if channel != int(channel) or not 1 <= channel <= MOST_CHANNELS:
            raise InputError(
                f"{where}: expected a channel from 1 to {MOST_CHANNELS}; found '{typed}'; channels count from 1"
            )
    level = row.get("level_db", "")
    level_db = _number(where, "level_db", level, separator) if level else math.nan
    return Row(hit_s, int(channel), striker, level_db)


def _number(where: str, column: str, text: str, separator: str) -> float:
    number = number_of(text, separator)
    if number is None:
        raise InputError(f"{where}: expected a number in {column}; found '{text}'; correct it or remove the line")
    return number


def _is_number(text: str) -> bool:
    return number_of(text, ";") is not None


def _check_times(path: Path, hit_s: np.ndarray) -> None:
    """Refuse times that cannot be seconds, and guess what they are."""
    if not len(hit_s):
        raise InputError(f"{path}: expected hits; found none; check the file")
    gaps = np.diff(np.unique(hit_s))
    gap = np.median(gaps) if len(gaps) else 0.0
    if hit_s.max() > LONGEST_S or gap > LONGEST_USUAL_GAP_S:
        slip = "milliseconds" if gap < MOST_MILLISECONDS else "samples"
        raise InputError(
            f"{path}: expected hit_s in seconds; found times up to {hit_s.max():g}, {gap:g} apart; "
            f"they look like {slip}: divide them"
        )
    if gaps.max(initial=0.0) > LONGEST_GAP_S:
        far = np.unique(hit_s)[1:][np.argmax(gaps)]
        raise InputError(
            f"{path}: expected the hits of one take; found {gaps.max() / 60:.0f} minutes without any before {far:g} s; "
            "correct that time, or cut the recording into takes"
        )


def _check_repeats(path: Path, rows: list[Row]) -> None:
    """Refuse a list in which hits stand twice: they would count as double strikes of the machine."""
    seen = Counter((row.hit_s, row.channel, row.striker) for row in rows)
    again = sum(seen.values()) - len(seen)
    if again > MOST_REPEATED * len(rows):
        raise InputError(
            f"{path}: expected every hit once; found {again} of {len(rows)} again, at the same time and of the same "
            "striker; export the list again"
        )


def _check_grid(path: Path, hit_s: np.ndarray) -> None:
    """Refuse hits that a program has moved to a grid (quantised): no machine strikes so."""
    gap_s = np.diff(np.unique(hit_s))
    gap_s = gap_s[gap_s > FINEST_GRID_S]
    if len(gap_s) < LEAST_GAPS_ON_GRID:
        return
    for part in range(1, FINEST_PART + 1):
        grid_s = np.median(gap_s) / part
        if grid_s < FINEST_GRID_S:
            return
        # Estimate the grid from all gaps (least squares): the median is one gap, and carries its rounding.
        count = np.maximum(np.round(gap_s / grid_s), 1)
        grid_s = (gap_s * count).sum() / np.square(count).sum()
        # Test the times, not only the gaps: a machine as even as that drifts away from the grid, moved hits do not.
        at, step = np.cumsum(gap_s), np.cumsum(count)
        off_s = gap_s - count * grid_s, at - np.polyval(np.polyfit(step, at, 1), step)
        if max(np.sqrt(np.square(off).mean()) for off in off_s) < OFF_GRID_S:
            grid = words.with_plain_spaces(words.milliseconds(grid_s, digits=0))
            raise InputError(
                f"{path}: expected hits as they were played; found all of them on a grid of {grid}; "
                "export them without quantising"
            )


def _midi_rows(path: Path, machine: Machine) -> list[Row]:
    song, players = midi.read_song(str(path)), players_of(machine.strikers)
    tick, channel, pitch, velocity = song.notes.T
    striker = [players.get(one, "") for one in zip(channel.tolist(), pitch.tolist(), strict=True)]
    if striker and not any(striker):
        found = ", ".join(map(str, np.unique(pitch)))
        raise InputError(
            f"{path}: expected notes of the strikers; found {found}; add them under machine: strikers: notes"
        )
    hit_s, level_db = midi.seconds_at(song, tick), 20 * np.log10(velocity / 127)
    if hit_s.max(initial=0.0) > LONGEST_S:
        raise InputError(
            f"{path}: expected hits within {LONGEST_S / 3600:g} hours; found one after {hit_s.max() / 3600:.0f} hours; "
            "export the file again"
        )
    rows = zip(hit_s.tolist(), striker, level_db.tolist(), strict=True)
    # Leave out notes that no striker owns: a pad's rim or a pedal.
    return [Row(at_s, 0, name, level) for at_s, name, level in rows if name]
