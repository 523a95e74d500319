"""Say which corrections were made by hand, and how many hits each took."""

from pathlib import Path

from pipeline import settings, tables, words
from pipeline.settings import EXTRA, IGNORE, Edit, Recording, Settings

MOST_LINES = 40  # chosen: nobody reads more; the list itself has them all


def said(config: Settings) -> list[str]:
    """Return a line for each correction, by recording and file time; without counts while a recording is to be run."""
    fingerprints, mark, lines = settings.Fingerprints(config), settings.mark(config.results, config.path), []
    for take in config.recordings:
        if take.edits:
            path = tables.path(config.results, "aligned", build_day=take.build_day, recording=take.recording)
            stands = tables.is_whole(path, "aligned", fingerprints.of("aligned", take.recording), mark)
            counts = tables.said(path, "aligned").get("by_hand") if stands else None
            counts = counts or [None] * len(take.edits)
            lines += [_line(config, take, *one) for one in zip(take.edits, counts, strict=True)]
    more = len(lines) - MOST_LINES
    return [*lines[:MOST_LINES], f"and {more} more"] if more > 0 else lines


def _line(config: Settings, take: Recording, edit: Edit, n_hits: int | None) -> str:
    what = f"{take.recording} {edit.where}"
    n_said = "" if n_hits is None else f" ({words.count(n_hits, 'hit')})" if n_hits else " (no hit)"
    if edit.action == IGNORE:
        return f"{what}: ignored{n_said}"
    if edit.action == EXTRA:
        return f"{what}: no strikes of the arrangement{n_said}"
    note = _note(config, take, edit.note_id)
    if n_hits == 0:
        return f"{what}: the hit was to be {note}: not done, see the faults of the recording"
    return f"{what}: the hit is {note}"


def _note(config: Settings, take: Recording, note_id: int) -> str:
    path = tables.path(config.results, "notes", arrangement=take.arrangement)
    number = f"note {note_id}"
    if not Path(path).is_file():
        return number
    for row in tables.read(path, "notes", ["note_id", "striker", "bar", "beat_in_bar"]).to_pylist():
        if row["note_id"] == note_id:
            return f"{row['striker']} in {words.place(row['bar'], row['beat_in_bar'])} ({number})"
    return number
