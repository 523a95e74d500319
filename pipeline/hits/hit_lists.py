"""Read hits that something else has detected.

In: a CSV list, or the MIDI file of a trigger module. Out: `HitList`, a table of contract `hits`, or InputError.
"""

import csv
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

MARKS = ("index", "click")  # strikers' names that mean a turn mark or a click
LIST_SE_S = 0.0005  # of a listed time without an error of its own; chosen: most triggers scan at 1 ms or faster
LONGEST_S = 6 * 3600.0  # chosen: a list beyond six hours is in milliseconds or samples, or damaged
LEAST_GAP_OF_INTEGERS = 20  # chosen: whole numbers further apart are no seconds; no tune strikes once in 20 s
MOST_MILLISECONDS = 2e7  # chosen, for the message only: 5.6 h in milliseconds; beyond it, samples
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
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (UnicodeDecodeError, OSError) as error:
        raise InputError(f"{path}: expected a list of hits as text; found {error}; save it as CSV, UTF-8") from None
    header_line = text.split("\n", 1)[0]
    separator = ";" if ";" in header_line and "," not in header_line else "\t" if "\t" in header_line else ","
    reader = csv.DictReader(text.splitlines(), delimiter=separator)
    header = [name.strip() for name in reader.fieldnames or []]
    if "hit_s" not in header:
        slip = "; rename the column of times" if header and not _is_number(header[0]) else "; add a first line"
        raise InputError(f"{path} (line 1): expected a column hit_s; found {', '.join(header) or 'nothing'}{slip}")
    reader.fieldnames = header
    names = {striker.name for striker in machine.strikers} | set(MARKS)
    former = {striker.was: striker.name for striker in machine.strikers if striker.was}
    lines = [
        (number, row)
        for number, row in enumerate(reader, 2)
        if any((value or "").strip() for value in row.values() if not isinstance(value, list))
    ]
    _check_names(path, lines, names, former)
    rows = [_csv_row(path, number, row, former, separator) for number, row in lines]
    _check_times(path, np.array([row.hit_s for row in rows]))
    return rows


def _check_names(path: Path, lines: list[tuple[int, dict]], names: set[str], former: dict[str, str]) -> None:
    """Raise InputError for every name that no striker has, with the line in which it first stands."""
    first = {}
    for number, row in lines:
        first.setdefault((row.get("striker") or "").strip(), number)
    unknown = {name: number for name, number in first.items() if name and name not in names and name not in former}
    faults = []
    for name, number in unknown.items():
        close = [one for one in names if one.casefold() == name.casefold()]
        renamed = f"was one renamed? then write 'was: {name}' beside its new name"
        guess = f"did you mean '{close[0]}'?" if close else f"known: {', '.join(sorted(names))}; {renamed}"
        faults.append(f"{path} (line {number}): expected a striker; found '{name}'; {guess}")
    if faults:
        raise InputError(*faults)


def _csv_row(path: Path, number: int, row: dict, former: dict[str, str], separator: str) -> Row:
    where = f"{path} (line {number})"
    hit_s = _number(where, "hit_s", row.get("hit_s"), separator)
    if hit_s < 0:
        raise InputError(f"{where}: expected hit_s from 0 on, in seconds; found {hit_s:g}; shift the list")
    striker = (row.get("striker") or "").strip()
    striker = former.get(striker, striker)
    channel_text = (row.get("channel") or "").strip()
    if channel_text:
        channel = _number(where, "channel", channel_text, separator)
        if channel != int(channel) or channel < 1:
            raise InputError(f"{where}: expected channel 1, 2, …; found '{channel_text}'; channels count from 1")
    else:
        channel = 0 if striker else 1
    level = (row.get("level_db") or "").strip()
    level_db = _number(where, "level_db", level, separator) if level else math.nan
    return Row(hit_s, int(channel), striker, level_db)


def _number(where: str, column: str, text: str | None, separator: str) -> float:
    text = (text or "").strip()
    if separator != "," and "," in text:
        text = text.replace(",", ".")
    if not _is_number(text):
        raise InputError(f"{where}: expected a number in {column}; found '{text}'; correct it or remove the line")
    return float(text)


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _check_times(path: Path, hit_s: np.ndarray) -> None:
    """Refuse times that cannot be seconds, and guess what they are."""
    if not len(hit_s):
        raise InputError(f"{path}: expected hits; found none; check the file")
    gap = np.median(np.diff(np.unique(hit_s))) if len(np.unique(hit_s)) > 1 else 0.0
    if hit_s.max() > LONGEST_S or (gap > LEAST_GAP_OF_INTEGERS and np.all(hit_s == np.round(hit_s))):
        slip = "milliseconds" if hit_s.max() < MOST_MILLISECONDS else "samples"
        raise InputError(
            f"{path}: expected hit_s in seconds; found times up to {hit_s.max():g}, {gap:g} apart; "
            f"they look like {slip}: divide them"
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
