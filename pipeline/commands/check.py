"""Look a configuration over, with the list of recordings and each recording's header or list; run nothing."""

from pipeline import settings
from pipeline.errors import InputError


def command(config: str) -> None:
    """Print what may be a slip and how much there is to compare.

    Raises
    ------
    InputError
        Every fault, and every recording that will be refused.
    """
    from pipeline.hits import headers

    found = settings.check(config)
    refused, notes = [], list(found.warnings)
    for take in found.settings.recordings:
        if take.recording not in found.lines:
            continue
        if take.recording in found.missing:
            reasons, slips = (found.missing[take.recording],), ()
        else:
            machine = found.settings.machine_of(take.setup, take.arrangement)
            reasons, slips = headers.look(take, found.settings.rig(take.rig), machine, found.settings.detection)
        refused += [f"{found.at(take.recording)} will be refused: {reason}" for reason in reasons]
        notes += [f"{found.at(take.recording)}: {slip}" for slip in slips]
    if not found.faults:
        notes += _repeats(found.settings)
    for note in notes:
        print(f"note: {note}")
    for line in _by_hand(found):
        print(f"by hand: {line}")
    if found.faults or refused:
        raise InputError(*found.faults, *refused)
    recordings, groups = len(found.settings.recordings), len(found.settings.groups())
    print(f"{config}: no fault found; recordings: {recordings}; groups to compare: {groups}")


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
