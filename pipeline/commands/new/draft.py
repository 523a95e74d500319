"""Write the draft: the configuration and the list of recordings, each guess with its mark."""

import csv
import io
import json
import os
import re
from collections import Counter
from pathlib import Path

import numpy as np

from pipeline import midi, words
from pipeline.commands.new import names
from pipeline.commands.new.takes import Take
from pipeline.errors import is_unprintable
from pipeline.midi import Song
from pipeline.settings.note_names import note_name

CHECK = "# check:"
HEAD = f"""\
# The machine, its microphones and its arrangement, as far as they could be guessed. Each guess is marked `{CHECK}`:
# look it over, mend it, take the mark away. Paths start at the folder of this file. Lines that begin with # are notes.

"""
_MACHINE = f"""
machine:
  {CHECK} fill in what you know and take the # away: angles need bars_per_turn (bars of the arrangement in one turn of
  # the barrel), millimetres need diameter_mm (over the pins); a wobble is told to its shaft by turns per barrel turn;
  # the wheel turns with the shaft named flywheel, else with the barrel: its energy grows with the square of its turns
  # barrel: {{bars_per_turn: …, diameter_mm: …}}
  # shafts: {{flywheel: {{turns: …, drive: belt}}, crank: {{turns: …, drive: freewheel}}}}
  # flywheel: {{inertia_kg_m2: …, diameter_mm: …}}
  strikers:
    {CHECK} one striker a note is guessed; give each its name, and put notes that fire the same striker into one line
"""
NO_NAMES = ("", "everything", "index", "click", "drums", "percussion", "midi")  # no striker is called so
MOST_LEFT = 12  # names that are listed at once; chosen
CALLED = {"index": ("index", "turn", "turn mark", "tacho"), "click": ("click", "metronome")}  # in names of files
_DAY_FROM = {
    "name": "those in the names of files and folders",
    "recorder": "those that the recorder wrote into the files",
    "file": "the dates of the files, which copying may have changed",
}


def configuration(song: Song, path: str, takes: list[Take]) -> str:
    """Return the configuration.

    Parameters
    ----------
    song : Song
    path : str
        Of its file, from the folder of the configuration.
    takes : list of Take
    """
    name = _plain(Path(path).stem) or "song"
    name = name if name[0].isalnum() else "song"
    strikers = _strikers(song, takes)
    counts = sorted({take.n_channels for take in takes if take.n_channels})
    text = HEAD + f"arrangements:\n{_parts(song, name, path)}  {quoted(name)}: {quoted(path)}\n"
    text += "recordings: recordings.csv\nresults: results\n"
    text += _MACHINE + "".join(_striker(*one) for one in strikers)
    text += _unplaced(takes, {striker[0] for striker in strikers})
    if counts:
        text += "\nrigs:\n" + "".join(
            _rig(count, [quoted(striker[0]) for striker in strikers], takes) for count in counts
        )
    return text


def listed(takes: list[Take], folder: str) -> str:
    """Return the list of recordings; their paths start at the folder."""
    text, before = io.StringIO(), ""
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["recording", "file", "build_day", "rig", "setup", "session", "crew", "note"])
    for take in takes:
        if take.day_from != before:
            text.write(f"{CHECK} from here on the build days are {_DAY_FROM[take.day_from]}\n")
        before = take.day_from
        path = Path(os.path.relpath(take.path, folder)).as_posix()
        rows.writerow([take.recording, path, take.build_day, rig_name(take.n_channels), "", "", "", ""])
    return text.getvalue()


def rig_name(n_channels: int) -> str:
    """Name a rig by its channels; '' of a list of hits, which needs none."""
    return words.with_plain_spaces(words.count(n_channels, "channel")) if n_channels else ""


def quoted(text: str) -> str:
    """Write a text so that YAML reads it as it is."""
    plain = re.fullmatch(r"[A-Za-z][A-Za-z0-9_./#-]*( [A-Za-z0-9_./-]+)*|(\.\./)+[A-Za-z][A-Za-z0-9_./-]*", text)
    reserved = text.casefold() in ("yes", "no", "on", "off", "true", "false", "null", "none", "y", "n")
    return text if plain and not reserved else json.dumps(text, ensure_ascii=False)


def _parts(song: Song, name: str, path: str) -> str:
    """Ask which parts of a file of several the machine plays."""
    if len(song.parts) < 2:
        return ""
    parts = "".join(f"  #   {one}\n" for one in midi.listed(song.parts).split("; "))
    return (
        f"  {CHECK} all of the file is taken for the machine's; plays it a part, choose tracks by name or number, or "
        f"channels:\n{parts}  # {quoted(name)}: {{file: {quoted(path)}, tracks: […], channels: […]}}\n"
    )


def _strikers(song: Song, takes: list[Take]) -> list[tuple[str, int, int | None, int, str]]:
    """Return name, note, MIDI channel (None where it does not matter), number of strikes and origin of each striker.

    Lists of hits give their names, where those fit the notes; else a track with a single note gives its name, where no
    other has it.
    """
    kinds, counts = np.unique(song.notes[:, [2, 1]], axis=0, return_counts=True)
    pitches, tracks, (listed, origin) = kinds[:, 0].tolist(), _tracks_of_one_note(song), _listed_names(song, takes)
    taken = {name.casefold() for name in listed.values()}
    strikers = []
    for (pitch, channel), count in zip(kinds.tolist(), counts, strict=True):
        several = pitches.count(pitch) > 1
        name = tracks.get((pitch, channel), "")
        if not name or name.casefold() in taken:
            name = note_name(pitch) + (f" of channel {channel}" if several else "")
        name = f"note {pitch}" if name.casefold() in taken else name
        own = listed.get((pitch, channel))
        strikers.append((own or name, pitch, channel if several else None, int(count), origin if own else ""))
    return strikers


def _listed_names(song: Song, takes: list[Take]) -> tuple[dict[tuple[int, int], str], str]:
    """Return names by (pitch, channel) from the list of hits whose length is nearest to the song's, and its file."""
    lists = [take for take in takes if _names(take)]
    if not lists:
        return {}, ""
    whole = min(lists, key=lambda take: abs(len(take.struck) - len(song.notes)))
    order = [(pitch, channel) for _, channel, pitch, _ in song.notes.tolist()]
    usable = _names(whole)
    found = names.guess(sorted(set(order)), order, whole.struck)
    return {kind: name for kind, name in found.items() if name in usable}, whole.path.name


def _names(take: Take) -> set[str]:
    """Return the names in a list of hits that a striker can have."""
    named = (name for name in set(take.struck) if name.casefold() not in NO_NAMES)
    usable = {name for name in named if not any(map(is_unprintable, name))}
    times = Counter(name.casefold() for name in usable)
    return {name for name in usable if times[name.casefold()] == 1}


def _unplaced(takes: list[Take], placed: set[str]) -> str:
    """Ask for the notes of those whom lists of hits name and no striker is called by."""
    left = sorted({name for take in takes for name in _names(take)} - placed)
    if not left:
        return ""
    shown = ", ".join(map(quoted, left[:MOST_LEFT])) + (", …" if len(left) > MOST_LEFT else "")
    return f"    {CHECK} lists of hits also name these, and each needs its notes above: {shown}\n"


def _tracks_of_one_note(song: Song) -> dict[tuple[int, int], str]:
    """Return the names of tracks by the (pitch, channel) that each holds alone."""
    named, taken = {}, Counter(_plain(part.name).casefold() for part in song.parts)
    for part in song.parts:
        name = _plain(part.name)
        own = sum(other.lowest <= part.lowest <= other.highest for other in song.parts) == 1
        if part.lowest == part.highest and own and taken[name.casefold()] == 1 and name.casefold() not in NO_NAMES:
            named[part.lowest, part.channel] = name
    return named


def _plain(name: str) -> str:
    """Return a name with nothing but letters, digits and single spaces, so that any system shows it."""
    return " ".join(re.sub(r"[^\w -]+", " ", name).split())[:40]


def _striker(name: str, pitch: int, channel: int | None, count: int, origin: str) -> str:
    only = f", channel: {channel}" if channel else ""
    strikes = words.with_plain_spaces(words.count(count, "strike"))
    said = f"{note_name(pitch)}, {strikes}" + (f"; the name by the order of strikes in {origin}" if origin else "")
    return f"    - {{name: {quoted(name)}, notes: [{pitch}]{only}}}  {CHECK} {said}\n"


def _heard_by(track: str, strikers: list[str]) -> str:
    """Return what the name of a track's file says that it hears: `03 oak block.wav`; '' where it says nothing.

    Of two names that stand in it, `oak` and `oak block`, the longer.
    """
    called = {_in_words(name): name for name in strikers}
    called |= {word: what for what, said in CALLED.items() for word in said}
    found = [name for name in called if f" {name} " in f" {_in_words(Path(track).stem)} "]
    return called[max(found, key=len)] if found else ""


def _in_words(name: str) -> str:
    """Return a name in small letters, with nothing but a space between its words."""
    return " ".join(re.findall(r"[^\W_]+#?", name.casefold()))


def _rig(n_channels: int, strikers: list[str], takes: list[Take]) -> str:
    """Return one rig: a microphone a striker where there are enough, else one that hears everything."""
    tracks = next((take.tracks for take in takes if take.n_channels == n_channels and take.tracks), ())
    lines = [f"  {rig_name(n_channels)}:\n"]
    named = [_heard_by(track, strikers) for track in tracks] if len(tracks) == n_channels else []
    for number in range(1, n_channels + 1):
        of_file = f" (file {tracks[number - 1]})" if len(tracks) == n_channels else ""
        if any(named):
            what = named[number - 1]
            line = f"- {{channel: {number}, hears: {what or '…'}}}  {CHECK} "
            lines.append(f"    {line}as its file is called{of_file}\n" if what else f"    # {line}what?{of_file}\n")
        elif n_channels >= len(strikers) and number <= len(strikers) and n_channels > 1:
            lines.append(f"    - {{channel: {number}, hears: {strikers[number - 1]}}}  {CHECK} its striker{of_file}\n")
        elif number == 1:
            lines.append(f"    - {{channel: 1, hears: everything}}  {CHECK} or one striker, or several{of_file}\n")
        else:
            what = "index" if number == len(strikers) + 1 and n_channels > len(strikers) else "click"
            what = what if n_channels > len(strikers) else "everything"
            lines.append(
                f"    # - {{channel: {number}, hears: {what}}}  {CHECK} a striker, everything, index (turn mark) "
                f"or click (metronome)?{of_file}\n"
            )
    return "".join(lines)
