"""Read hits that something else has detected: a CSV list, or the MIDI file of a trigger module.

In: the recording's row, its rig, the machine. Out: columns of the contract `hits`, or `InputError` with the line.
"""

import csv
import math
from collections import Counter
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline import midi, tables
from pipeline.errors import InputError
from pipeline.settings import Machine, Recording, Rig, players_of

LIST_SE_S = 0.0005  # of a listed time that carries no error of its own: most triggers scan at 1 ms or faster
LONGEST_S = 6 * 3600.0  # a list beyond six hours is in milliseconds or samples, or damaged
LONGEST_MS = 2e7  # a list beyond 5.6 hours of milliseconds is in samples
WHOLE_GAP = 20  # whole numbers that lie further apart are no seconds
FINEST_GRID_S = 0.015  # a 24th of a beat at 166 a minute; finer grids are a file's own resolution
MOST_PARTS = 12  # of the usual gap that a step of the grid may be
OFF_GRID_S = 0.0006  # hits that stay this near a grid were moved there: machines scatter by milliseconds
LEAST_ON_GRID = 16  # gaps: so many do not lie on a grid by chance


def read_list(recording: Recording, rig: Rig | None, machine: Machine) -> dict[str, np.ndarray | list]:
    """Read a list of hits.

    A hit that names its channel and no striker is what the rig says of that channel: its only striker, the turn mark,
    the click, or one of several; a channel that the rig does not name hears nothing. Without a rig its striker is
    unknown.

    Parameters
    ----------
    recording : Recording
        Its `file` ends in .csv or is a MIDI file.
    rig : Rig or None
    machine : Machine
        Its strikers own names and MIDI notes.

    Returns
    -------
    dict
        Columns of the contract `hits`, (n_hits,) arrays or lists: `hit_s`, `channel` (0 with a name and no channel),
        `striker` (None where unknown), `kind`, `level_db`; in the order of time.

    Raises
    ------
    InputError
        Not readable, no hits, or times that cannot be seconds.
    """
    return heard(recording, rig, rows_of(Path(recording.file), machine))


def rows_of(path: Path, machine: Machine) -> list[tuple]:
    """Return the rows of a list as they stand there: time (s), channel, striker ('' where unknown), level (dB).

    Raises
    ------
    InputError
        No such file, not readable, a line that cannot be used.
    """
    if not path.exists():
        raise InputError(f"{path}: expected a list of hits; found no such file; mend 'file' or put it there")
    return _csv_rows(path, machine) if path.suffix.lower() == ".csv" else _midi_rows(path, machine)


def not_named(rig: Rig | None, rows: list[tuple]) -> dict[int, int]:
    """Return how many rows each channel has that the rig does not name: such a channel hears nothing."""
    return Counter(row[1] for row in rows if _through(rig, row) is None)


def heard(recording: Recording, rig: Rig | None, rows: list[tuple]) -> dict[str, np.ndarray | list]:
    """Return and raise what `read_list` does, from the rows of the file."""
    path = recording.file
    start_s, stop_s = recording.start_s or 0.0, math.inf if recording.stop_s is None else recording.stop_s
    rows = [row for row in (_through(rig, row) for row in rows) if row is not None]
    rows = sorted(row for row in rows if start_s <= row[0] < stop_s)
    if not rows:
        raise InputError(f"{path}: expected hits; found none; check the file, the rig's channels and start_s, stop_s")
    _check_grid(path, np.array([row[0] for row in rows if row[2] not in ("index", "click")]))
    hit_s, channel, striker, level_db = (list(column) for column in zip(*rows, strict=True))
    kind = [name if name in ("index", "click") else "strike" for name in striker]
    names = [name if what == "strike" and name else None for name, what in zip(striker, kind, strict=True)]
    return {
        "hit_s": np.array(hit_s),
        "channel": np.array(channel),
        "striker": names,
        "kind": kind,
        "level_db": np.array(level_db),
    }


def _through(rig: Rig | None, row: tuple) -> tuple | None:
    """Return a row as the rig's microphone heard it; None where the rig names no such channel."""
    hit_s, number, striker, level_db = row
    if rig is None or striker:
        return row
    channel = next((channel for channel in rig.channels if channel.channel == number), None)
    if channel is None:
        return None
    only = channel.hears[0] if len(channel.hears) == 1 and channel.hears[0] != "everything" else ""
    return hit_s - channel.delay_s, number, only, level_db


def table_of(listed: dict) -> pa.Table:
    """Return the table of the contract `hits` from the columns of `read_list`; each has `LIST_SE_S`, probability 1."""
    n = len(listed["hit_s"])
    return tables.build(
        "hits",
        {
            **listed,
            "hit_id": np.arange(n),
            "hit_se": np.full(n, LIST_SE_S),
            "snr_db": np.full(n, np.nan),
            "probability": np.ones(n),
            "bands_db": np.full((n, tables.N_BANDS), np.nan, np.float32),
        },
    )


def _csv_rows(path: Path, machine: Machine) -> list[tuple]:
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
    names = {striker.name for striker in machine.strikers} | {"index", "click"}
    former = {striker.was: striker.name for striker in machine.strikers if striker.was}
    lines = [
        (number, row)
        for number, row in enumerate(reader, 2)
        if any((value or "").strip() for value in row.values() if not isinstance(value, list))
    ]
    _check_names(path, lines, names, former)
    rows = [_csv_row(path, number, row, former, separator) for number, row in lines]
    _check_times(path, np.array([row[0] for row in rows]))
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


def _csv_row(path, number, row, former, separator) -> tuple:
    where = f"{path} (line {number})"
    hit_s = _number(where, "hit_s", row.get("hit_s"), separator)
    if hit_s < 0:
        raise InputError(f"{where}: expected hit_s from 0 on, in seconds; found {hit_s:g}; shift the list")
    striker = (row.get("striker") or "").strip()
    striker = former.get(striker, striker)
    channel_text = (row.get("channel") or "").strip()
    if channel_text:
        number_ = _number(where, "channel", channel_text, separator)
        if number_ != int(number_) or number_ < 1:
            raise InputError(f"{where}: expected channel 1, 2, …; found '{channel_text}'; channels count from 1")
        channel = int(number_)
    else:
        channel = 0 if striker else 1
    level = (row.get("level_db") or "").strip()
    return hit_s, channel, striker, _number(where, "level_db", level, separator) if level else math.nan


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
    if not len(hit_s):
        raise InputError(f"{path}: expected hits; found none; check the file")
    gap = np.median(np.diff(np.unique(hit_s))) if len(np.unique(hit_s)) > 1 else 0.0
    if hit_s.max() > LONGEST_S or (gap > WHOLE_GAP and np.all(hit_s == np.round(hit_s))):
        slip = "milliseconds" if hit_s.max() < LONGEST_MS else "samples"
        raise InputError(
            f"{path}: expected hit_s in seconds; found times up to {hit_s.max():g}, {gap:g} apart; "
            f"they look like {slip}: divide them"
        )


def _check_grid(path: Path, hit_s: np.ndarray) -> None:
    """Raise InputError for hits that a program has moved to a grid: no machine strikes so."""
    gap_s = np.diff(np.unique(hit_s))
    gap_s = gap_s[gap_s > FINEST_GRID_S]
    if len(gap_s) < LEAST_ON_GRID:
        return
    for part in range(1, MOST_PARTS + 1):
        grid_s = np.median(gap_s) / part
        if grid_s < FINEST_GRID_S:
            return
        # A better value of the step, from all gaps: the median carries the rounding of one.
        count = np.maximum(np.round(gap_s / grid_s), 1)
        grid_s = (gap_s * count).sum() / np.square(count).sum()
        # A machine that turns as evenly as that drifts away from the grid in time; what was moved there stays.
        at, step = np.cumsum(gap_s), np.cumsum(count)
        off_s = gap_s - count * grid_s, at - np.polyval(np.polyfit(step, at, 1), step)
        if max(np.sqrt(np.square(off).mean()) for off in off_s) < OFF_GRID_S:
            raise InputError(
                f"{path}: expected hits as they were played; found all of them on a grid of {grid_s * 1000:.0f} ms; "
                "export them without quantising"
            )


def _midi_rows(path: Path, machine: Machine) -> list[tuple]:
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
    # A note that no striker owns may be a pad's rim or a pedal: nobody knows whose it is, so it is left out.
    return [(at_s, 0, name, level) for at_s, name, level in rows if name]
