"""Say in a few lines how evenly one or two takes are played, and draw them."""

import os
import re
from pathlib import Path

from pipeline import tables, words
from pipeline.commands import terminal
from pipeline.commands.look import picture
from pipeline.commands.look.even import ON_PLACE, STEPS, WANDER_BARS, Even, on_grid
from pipeline.commands.look.strikes import Heard, heard
from pipeline.errors import InputError
from pipeline.settings.faults import choice_of, slip

MOST_TAKES = 2


def command(
    takes: list[str],
    bpm: float,
    click: int | None = None,
    every: str | None = None,
    beats_per_bar: int = 4,
    to: str | None = None,
) -> None:
    """Print at most eight lines on one or two takes (a long one takes several rows), and write the picture.

    Raises
    ------
    InputError
        A take cannot be used, or its strikes keep to no even grid of this tempo.
    """
    if len(takes) > MOST_TAKES:
        raise InputError(f"pindrift look: expected one or two takes; found {len(takes)}; name two")
    if every:
        every = _step(every)
    target = _target(takes, to)
    found = [heard(path, click) for path in takes]
    for path, one in zip(takes, found, strict=True):
        if click and not len(one.click_s):
            raise InputError(f"{path}: expected the click on channel {click}; found none there; correct --click")
    even = [
        on_grid(take, one.strike_s, one.click_s, bpm, beats_per_bar, every)
        for take, one in zip(takes, found, strict=True)
    ]
    lines = (
        _one(found[0], even[0], bpm)
        if len(takes) == 1
        else [line for one, of in zip(found, even, strict=True) for line in _of_two(one, of, bpm)]
    )
    against = "the click" if all(len(one.click_s) for one in found) else "an even tempo"
    drawn = picture.picture([(one.name, of) for one, of in zip(found, even, strict=True)], against)
    with tables.replacing(target) as file:
        file.write(drawn.encode())
    terminal.say(*lines, f"picture: {target}")


def _step(typed: str) -> str:
    """Return the step that `--every` names, by its first word or in full."""
    by_word = {step.partition(" ")[0]: step for step in STEPS}
    found = by_word.get(typed.casefold(), typed.casefold())
    if found not in STEPS:
        raise InputError(f"--every: expected {choice_of(by_word)}; found '{typed}'{slip(typed, by_word)}")
    return found


def _target(takes: list[str], to: str | None) -> Path:
    """Return where the picture goes: nothing is written over but a picture of ours."""
    names = [Path(os.path.normpath(take)).stem for take in takes]
    target = Path(to or f"{'-'.join(names)}-look.svg")
    if target.suffix.lower() != ".svg":
        raise InputError(f"--to: expected a file that ends in .svg; found '{target}'; the picture is SVG")
    if target.exists() and (not target.is_file() or picture.MADE not in target.read_text("utf-8", "replace")[:1000]):
        raise InputError(f"{target}: expected a picture of pindrift look or no file; found another; say --to FILE")
    if not target.parent.is_dir():
        raise InputError(f"{target}: expected its folder; found none; make it, or say another")
    return target


def _one(take: Heard, even: Even, bpm: float) -> list[str]:
    lines = [_opening(take, even, bpm), f"  {_distance(take, even)}", f"  worst bar: {_worst(even)}"]
    low, high = even.wander_s
    if words.known(low):
        lines.append(f"  wander over {WANDER_BARS} bars: from {words.late(low)} to {words.late(high)}")
    if words.known(even.bar_to_bar):
        lines.append(f"  tempo from bar to bar: {words.spread(words.percent(even.bar_to_bar, digits=2))}")
    lines.append(f"  {_missed(even)}")
    lines += [f"  recording: {said}" for said in [_faults(take)] if said]
    return lines


def _of_two(take: Heard, even: Even, bpm: float) -> list[str]:
    steady = (
        f"; {words.spread(words.percent(even.bar_to_bar, digits=2))} from bar to bar"
        if words.known(even.bar_to_bar)
        else ""
    )
    faults = _faults(take)
    return [
        f"{take.name}: {_distance(take, even)}",
        f"  worst bar: {_worst(even)}{steady}",
        f"  {_missed(even)}" + (f"; {faults}" if faults else ""),
    ]


def _opening(take: Heard, even: Even, bpm: float) -> str:
    click = f", click on channel {take.click_channel}" if take.click_channel and len(take.click_s) else ""
    strikes = words.count(len(even.place) + even.n_off, "strike")
    return f"{take.name}: {strikes}, one every {even.every} at {bpm:g} a minute{click}"


def _distance(take: Heard, even: Even) -> str:
    spread = words.spread(words.milliseconds(even.spread_s))
    if len(take.click_s):
        return f"from the click: {spread}, beside a steady {words.late(even.offset_s)}"
    return f"from its own even tempo of {even.tempo_bpm:.2f} a minute: {spread}"


def _worst(even: Even) -> str:
    worst = even.worst_bar
    return f"{even.bar[worst]}, at {even.bar_at_s[worst]:.1f} s in the file, {words.late(even.bar_late_s[worst])}"


def _missed(even: Even) -> str:
    """Say which places have no strike; only who names the step says that none of them is a rest."""
    off = f"; off the grid: {words.count(even.n_off, 'strike')}" if even.n_off else ""
    n_strikes = len(even.place) + even.n_off
    if even.is_said and len(even.place) < ON_PLACE * n_strikes:
        return f"off the grid: {even.n_off} of {n_strikes} strikes; is more written than one a {even.every}?"
    said = "missed" if even.is_said else "without a strike, rests or missed"
    if not len(even.empty):
        return f"{said}: none of {words.count(even.n_places, 'place')}{off}"
    first = even.empty[0]
    where = f", first in bar {even.bar_of(first)}, at {even.at_s(first):.1f} s" if even.is_said else ""
    return f"{said}: {len(even.empty)} of {words.count(even.n_places, 'place')}{where}{off}"


def _faults(take: Heard) -> str:
    """Name the faults of the recording, with their channels; `pindrift run` says their cures."""
    named = {}
    for said in take.health:
        name, _, rest = said.partition(": ")
        channels = re.match(r"channels? [\d, and]*\d", rest)
        named.setdefault(name + (f" ({channels[0]})" if channels else ""))
    return ", ".join(named)
