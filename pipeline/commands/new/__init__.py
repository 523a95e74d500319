"""Draft a configuration from an arrangement and a folder of recordings; what is guessed is marked `# check:`."""

import os
import shlex
from collections import Counter
from contextlib import ExitStack
from pathlib import Path

from pipeline import tables, words
from pipeline.commands import terminal
from pipeline.commands.new import draft
from pipeline.commands.new.takes import takes_in
from pipeline.errors import InputError
from pipeline.midi import read_song

CONFIGURATION, LIST = "machine.yaml", "recordings.csv"
MOST_LEFT_OUT = 5  # files named with the reason why they were left out; chosen
CAUTION = (
    "Before the machine turns: guards before feet and hands, a brake within reach, nobody in the plane of the rim; "
    "cables, hair and sleeves clear of shafts; a stop signal that a crew in headphones can see; hearing protected. "
    + words.CAUTION
)


def command(folder: str, arrangement: str, recordings: str) -> None:
    """Write the configuration and the list of recordings into a folder, and say what to look at.

    Raises
    ------
    InputError
        The folder has them already, or there is nothing to make them from.
    """
    written = [Path(folder, name) for name in (CONFIGURATION, LIST)]
    for path in written:
        if path.exists():
            raise InputError(f"{path}: expected a folder without a configuration; found this file; name another folder")
    if Path(folder).exists() and not Path(folder).is_dir():
        raise InputError(f"{folder}: expected a folder; found a file; name another folder")
    song = read_song(arrangement)
    if not len(song.notes):
        raise InputError(f"{arrangement}: expected notes; found none; export the arrangement with its notes")
    takes, left_out = takes_in(Path(recordings), Path(arrangement))
    if not takes:
        why = f" ({left_out[0]})" if left_out else ""
        raise InputError(f"{recordings}: expected recordings or lists of hits; found none{why}; name their folder")
    texts = draft.configuration(song, _from(folder, arrangement), takes), draft.listed(takes, folder)
    with ExitStack() as opened:  # both or none
        for path, text in zip(written, texts, strict=True):
            file = opened.enter_context(tables.replacing(path))
            file.write(text.encode())
            file.flush()
    _say(written, texts, takes, left_out)


def _from(folder: str, path: str) -> str:
    """Return a path as it is from the folder, with / on every system."""
    return Path(os.path.relpath(path, folder)).as_posix()


def _say(written: list[Path], texts: tuple[str, ...], takes, left_out: list[str]) -> None:
    days = Counter(take.build_day for take in takes)
    many = f"{words.count(len(takes), 'recording')} of {words.count(len(days), 'build day')}"
    terminal.say(f"{written[0]} and {written[1].name}: {many}")
    terminal.say(*(f"left out: {reason}" for reason in left_out[:MOST_LEFT_OUT]))
    if len(left_out) > MOST_LEFT_OUT:
        terminal.say(f"left out: {len(left_out) - MOST_LEFT_OUT} files more")
    n_guessed = sum(text.removeprefix(draft.HEAD).count(draft.CHECK) for text in texts)
    terminal.say(CAUTION, f"guessed: {n_guessed} times, marked '{draft.CHECK}'; mend those lines, then:")
    print(f"  pindrift check {shlex.quote(str(written[0]))}")  # in one row, to be copied
