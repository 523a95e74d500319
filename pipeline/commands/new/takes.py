"""Find the takes in a folder: audio files, folders with a file per track, lists of hits; and the day of each."""

import re
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from pipeline import audio
from pipeline.errors import InputError
from pipeline.settings.csv_rows import number_of, read_rows
from pipeline.settings.faults import Faults, path_fault
from pipeline.settings.recordings import LIST_ENDINGS

LONGEST_ID = 60  # letters of a recording's name; chosen
MOST_FOLDERS_DEEP = 4  # chosen
YEARS = 1970, 2100  # in which a number in a name can be a day; chosen
_DAYS_IN_NAMES = (
    re.compile(r"(?<!\d)(?P<year>\d{4})(?P<sep>[-_. ])(?P<month>\d{1,2})(?P=sep)(?P<day>\d{1,2})(?!\d)"),
    # With the time of day behind it, as recorders name their files.
    re.compile(r"(?<!\d)(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})(\d{4}|\d{6})?(?!\d)"),
    re.compile(r"(?<!\d)(?P<day>\d{1,2})\.(?P<month>\d{1,2})\.(?P<year>\d{4})(?!\d)"),
)


@dataclass(frozen=True)
class Take:
    """One recording.

    `day_from` says where its day comes from: name, recorder (written into the file by it) or file (its own date).
    `tracks` are the names of the files of a folder; `n_channels` is 0 of a list of hits, and `struck` its strikers'
    names, strike by strike.
    """

    recording: str
    path: Path
    build_day: date
    day_from: str
    n_channels: int
    tracks: tuple[str, ...] = ()
    struck: tuple[str, ...] = ()


def takes_in(root: Path, arrangement: Path) -> tuple[list[Take], list[str]]:
    """Return the takes by day and name, and why files that might have been takes are left out.

    Parameters
    ----------
    root : Path
        A folder, with folders in it or not; or a single file.
    arrangement : Path
        Is no take, wherever it lies.
    """
    if not root.exists():
        raise InputError(f"{root}: expected a folder of recordings; found none; correct the path")
    found, left_out = [], []
    for path, tracks in _candidates(root, arrangement, 0):
        try:
            if wrong := path_fault(str(path)):
                raise InputError(wrong)
            n_channels = 0 if path.suffix.lower() in LIST_ENDINGS else audio.look(path).n_channels
        except InputError as error:
            left_out.append(str(error))
            continue
        day, day_from = _day(path, root)
        name = path.stem if path.is_file() else path.name
        found.append(Take(name, path, day, day_from, n_channels, tracks, _struck(path)))
    found.sort(key=lambda take: (take.build_day, audio.natural(take.path.name)))
    return _named(found), left_out


def _candidates(path: Path, arrangement: Path, depth: int) -> list[tuple[Path, tuple[str, ...]]]:
    """Return files and folders that may be takes, a folder of tracks with the names of its tracks."""
    if path.is_file():
        return [(path, ())] if _is_take(path, arrangement) else []
    if not path.is_dir():  # a pipe or a device
        return []
    within = sorted((one for one in path.iterdir() if one.name[0] != "."), key=lambda one: audio.natural(one.name))
    sounds = [one for one in within if one.is_file() and one.suffix.lower() in audio.TRACK_ENDINGS]
    if _are_tracks(sounds):
        return [(path, tuple(one.name for one in sounds))]
    if depth == MOST_FOLDERS_DEEP:
        return []
    return [take for one in within if not one.is_symlink() for take in _candidates(one, arrangement, depth + 1)]


def _is_take(path: Path, arrangement: Path) -> bool:
    ending = path.suffix.lower()
    if ending in audio.TRACK_ENDINGS:
        return True
    if ending == ".csv":
        rows, _ = read_rows(str(path), "a list of hits", Faults()) or ([], "")
        return bool(rows) and "hit_s" in [cell.casefold() for cell in rows[0][1]]
    return ending in LIST_ENDINGS and not (arrangement.exists() and path.samefile(arrangement))


def _struck(path: Path) -> tuple[str, ...]:
    """Return the strikers' names in a list of hits, in the order of time; none of another file."""
    if path.suffix.lower() != ".csv":
        return ()
    (heading, *rows), separator = read_rows(str(path), "a list of hits", Faults())
    columns = [cell.casefold() for cell in heading[1]]
    if "striker" not in columns:
        return ()
    at, name = columns.index("hit_s"), columns.index("striker")
    cells = [cells for _, cells in rows if len(cells) > max(at, name) and cells[name]]
    timed = [(number_of(one[at], separator), one[name]) for one in cells]
    return tuple(name for _, name in sorted(one for one in timed if one[0] is not None))


def _are_tracks(sounds: list[Path]) -> bool:
    """Tell tracks of one take from several takes: they have the same length, to the sample."""
    if any(path_fault(str(one)) for one in sounds):
        return False
    try:
        heads = {(one.n_samples, one.rate_hz) for one in map(audio.look, sounds)}
    except InputError:
        return False
    return len(sounds) > 1 and len(heads) == 1


def _day(path: Path, root: Path) -> tuple[date, str]:
    """Return the day of a take and where it comes from; the nearest name that holds one counts."""
    within = [path.name, *(one.name for one in path.parents if root in (one, *one.parents))]
    for name in within:
        if day := day_in(name):
            return day, "name"
    files = [path] if path.is_file() else sorted(one for one in path.iterdir() if one.is_file())
    if files and (day := _recorded(files[0])):
        return day, "recorder"
    return datetime.fromtimestamp(min(one.stat().st_mtime for one in files)).date(), "file"


def day_in(name: str) -> date | None:
    """Return the day that a name holds, such as 2031-05-03, 20310503 or 3.5.2031; None where it holds none."""
    for pattern in _DAYS_IN_NAMES:
        for match in pattern.finditer(name):
            try:
                day = date(*(int(match[part]) for part in ("year", "month", "day")))
            except ValueError:
                continue
            if YEARS[0] <= day.year < YEARS[1]:
                return day
    return None


def _recorded(path: Path) -> date | None:
    """Return the day that a recorder wrote into a WAV file (its chunk bext, EBU Tech 3285), None where it has none."""
    with open(path, "rb") as file:
        if file.read(12)[8:] != b"WAVE":
            return None
        while len(head := file.read(8)) == 8:
            size = int.from_bytes(head[4:], "little")
            if head[:4] == b"bext":
                # After 256 letters of description, 32 of the originator and 32 of its reference.
                return day_in(file.read(330)[320:].decode("ascii", "replace").translate(str.maketrans(":/", "--")))
            file.seek(size + size % 2, 1)
    return None


def _named(takes: list[Take]) -> list[Take]:
    """Give each take a name of its own that a list of recordings allows."""
    seen, named = set(), []
    for take in takes:
        name = re.sub(r"[^A-Za-z0-9_.-]+", "-", take.recording).strip("-.")[:LONGEST_ID]
        name = name if name[:1].isalpha() else f"take-{name}".strip("-")
        own, number = name, 2
        while own.casefold() in seen:
            own, number = f"{name}-{number}", number + 1
        seen.add(own.casefold())
        named.append(Take(own, *list(vars(take).values())[1:]))
    return named
