"""Look a configuration over, with the list of recordings and each recording's header or list; run nothing."""

import re

from pipeline import settings, words
from pipeline.commands import terminal
from pipeline.errors import InputError

MOST_NAMED = 10  # recordings of which the same is said; chosen


def command(config: str) -> None:
    """Print what may be a slip and how much there is to compare.

    Raises
    ------
    InputError
        Every fault, and every recording that will be refused.
    """
    from pipeline.hits import headers

    found = settings.check(config)
    refused, notes = [], []
    for take in found.settings.recordings:
        if take.recording not in found.lines:
            continue
        if take.recording in found.missing:
            reasons, slips = (found.missing[take.recording],), ()
        else:
            machine = found.settings.machine_of(take.setup, take.arrangement)
            reasons, slips = headers.look(take, found.settings.rig(take.rig), machine, found.settings.detection)
        refused += [(take, f" will be refused: {reason}") for reason in reasons]
        notes += [(take, f": {slip}") for slip in slips]
    said = [*found.warnings, *_each_once(found, notes), *([] if found.faults else _repeats(found.settings))]
    terminal.say(*(f"note: {note}" for note in said), *(f"by hand: {line}" for line in _by_hand(found)))
    if found.faults or refused:
        raise InputError(*found.faults, *_each_once(found, refused))
    recordings, groups = len(found.settings.recordings), len(found.settings.groups())
    terminal.say(f"{config}: no fault found; recordings: {recordings}; groups to compare: {groups}")


def _each_once(found: settings.Checked, said: list[tuple[settings.Recording, str]]) -> list[str]:
    """Return what is said of recordings; where several differ in nothing but the file, the others by name."""
    alike = {}
    for take, text in said:
        own = re.sub(r" \(line \d+\b", "", text.replace(take.file, ""))
        alike.setdefault(own, []).append((take.recording, text))
    lines = []
    for (first, text), *others in alike.values():
        lines.append(f"{found.at(first)}{text}")
        if others:
            named = [f"'{name}' (line {found.lines[name]})" for name, _ in others[:MOST_NAMED]]
            more = [f"{len(others) - MOST_NAMED} more"] if len(others) > MOST_NAMED else []
            lines.append(f"{found.settings.recordings_file}: the same holds for {words.joined([*named, *more])}")
    return lines


def _by_hand(found: settings.Checked) -> list[str]:
    """Say what is corrected by hand, with what each took at the last run."""
    if found.faults or not any(take.edits for take in found.settings.recordings):
        return []
    from pipeline.report import by_hand

    return by_hand.said(found.settings)


def _repeats(config: settings.Settings) -> list[str]:
    """Say where a striker must repeat faster than earlier results show that it can."""
    from pipeline import repeats
    from pipeline.notes import notes as notes_of

    strikers = repeats.measured(config.results)
    if not len(strikers):
        return []
    songs = [one.name for one in config.arrangements]
    return [line for song in songs for line in repeats.too_fast(song, notes_of(config, song), strikers)]
