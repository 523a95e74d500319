"""Write the sentences of faults that channels may share: 'name: finding; cure', one sentence for all of them.

In: findings, one a channel and fault. Out: sentences. The builder reads them: every word is part of the product.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from pipeline.hits.health import background
from pipeline.settings import Channel

MOST_NAMES = 3  # chosen: channels of which each is named by what it hears; strikers that are named of one channel
LONGEST_NAMES = 90  # chosen: characters that names of channels may take
MOST_RANGES = 12  # chosen: of channel numbers in a sentence
# Chosen: noise that is less above the other is "about as loud"; so far above, the number says no more.
ALIKE_DB, FAR_DB = 1.0, 30.0
ROOM_DB = 4.0  # chosen: headroom left above the loudest strike when a gain is turned down


@dataclass(frozen=True)
class Finding:
    """One channel's fault.

    kind : str
        Key of `KINDS`.
    figures : tuple of float
        What its sentence tells, in the order of the function's parameters in `KINDS`; of the first, more is worse.
    """

    kind: str
    channel: Channel
    figures: tuple[float, ...] = ()


def sentences(findings: list[Finding]) -> list[str]:
    """Return one sentence a kind, in the order of `KINDS`; gains are told together only if changed alike, at once."""
    groups = {}
    for one in sorted(findings, key=lambda one: list(KINDS).index(one.kind)):
        alike = tuple(map(round, one.figures)) if one.kind == "gain" else ()
        groups.setdefault((one.kind, alike), []).append(one)
    return [
        KINDS[kind](_where(group), len(group) > 1, *np.array([one.figures for one in group]).T)
        for (kind, _), group in groups.items()
    ]


def numbers(channels: list[int]) -> str:
    """Return channel numbers as a person says them: '1, 2 and 5 to 12'."""
    ordered = sorted(channels)
    runs = [[one for _, one in run] for _, run in groupby(enumerate(ordered), lambda place: place[1] - place[0])]
    parts = []
    for run in runs:
        parts += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else map(str, run)
    if len(parts) > MOST_RANGES:
        told = [number for run in runs for number in run][: MOST_RANGES - 1]
        parts = [*map(str, told), f"{len(ordered) - len(told)} others"]
    return _listed(parts)


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _named(channel: Channel, more: str = "") -> str:
    hears = list(channel.hears)
    if len(hears) > MOST_NAMES:
        hears = [*hears[: MOST_NAMES - 1], f"{len(hears) - MOST_NAMES + 1} more"]
    return f"{channel.channel} ({', '.join(hears)}{more})"


def _where(group: list[Finding]) -> str:
    """Return 'channel 1 (oak)', or the channels of a group, the worst first."""
    ordered = sorted(group, key=lambda one: one.figures[:1], reverse=True)
    names = _listed([_named(one.channel) for one in ordered])
    if len(group) == 1:
        return f"channel {names}"
    if len(group) <= MOST_NAMES and len(names) <= LONGEST_NAMES:
        return f"channels {names}"
    rest = [one.channel.channel for one in ordered]
    if not ordered[0].figures:
        return f"channels {numbers(rest)}"
    told = numbers(rest[1:])
    return f"channels {_named(ordered[0].channel, ', the worst')}{',' if ' and ' in told else ' and'} {told}"


def _between(values: np.ndarray, how: str = ".0f") -> str:
    """Return the least and the most of some figures: '3 to 5', or '3'."""
    low, high = format(values.min(), how), format(values.max(), how)
    return low if low == high else f"{low} to {high}"


def _beside(above_db: np.ndarray) -> str:
    """Say how far something lies above the other noise."""
    low, high = above_db.min(), above_db.max()
    if low >= FAR_DB:
        return "far above the other noise"
    if high < ALIKE_DB:
        return "about as loud as the other noise"
    if high >= FAR_DB:
        return f"{max(low, 0):.0f} dB or more above the other noise"
    if low < ALIKE_DB:
        return f"up to {high:.0f} dB above the other noise"
    return f"{_between(above_db)} dB above the other noise"


def _silent(where: str, many: bool) -> str:
    return f"dead: {where} hold{_s(many)} no sound; check {_its(many)} cable, {_its(many)} gain and the rig"


def _unstruck(where: str, many: bool) -> str:
    whose = "their own" if many else "its own"
    return (
        f"dead: {where} hold{_s(many)} no strike, {whose} or a neighbour's, while others do; "
        f"check {_its(many)} cable and the rig"
    )


def _clipped(where: str, many: bool, over_db: np.ndarray, n_strikes: np.ndarray) -> str:
    return (
        f"clipped: {where} {_is(many)} cut off at {_between(n_strikes)} moments, by about {_between(over_db, '.1f')} "
        f"dB or more; turn {_its(many)} gain down by {_between(np.ceil(over_db + ROOM_DB))} dB"
    )


def _hum(where: str, many: bool, level_db: np.ndarray, above_db: np.ndarray) -> str:
    return (
        f"hum: {where} {_carries(many)} {_between(level_db)} dB of mains hum, {_beside(above_db)}; "
        "use a balanced cable, keep it away from power leads, run computer and interface from one socket"
    )


def _rumble(where: str, many: bool, level_db: np.ndarray, above_db: np.ndarray) -> str:
    return (
        f"rumble: {where} {_carries(many)} {_between(level_db)} dB below {background.RUMBLE_TO_HZ[0]:.0f} Hz, "
        f"{_beside(above_db)}; put the stand on foam or switch on the preamplifier's low cut"
    )


def _gate(where: str, many: bool, share: np.ndarray) -> str:
    return (
        f"gate: {where} {_is(many)} exactly silent for {_between(100 * share)} % of the time between strikes, so soft "
        "strikes are lost; switch the noise gate off"
    )


def _gain(where: str, many: bool, step_db: np.ndarray, time_s: np.ndarray) -> str:
    return (
        f"gain touched: {where} change{_s(many)} by {step_db[0]:+.0f} dB after about {time_s[0]:.0f} s; "
        "leave the gain alone during a take"
    )


def _limiter(where: str, many: bool, reduction_db: np.ndarray) -> str:
    return (
        f"limiter: {where} {_is(many)} turned down after each strike, {_its(many)} noise by {_between(reduction_db)} "
        "dB or more; switch limiter, compressor and automatic gain off"
    )


def _s(many: bool) -> str:
    return "" if many else "s"


def _is(many: bool) -> str:
    return "are" if many else "is"


def _its(many: bool) -> str:
    return "their" if many else "its"


def _carries(many: bool) -> str:
    return "carry" if many else "carries"


KINDS: dict[str, Callable[..., str]] = {
    "silent": _silent,
    "unstruck": _unstruck,
    "clipped": _clipped,
    "hum": _hum,
    "rumble": _rumble,
    "gate": _gate,
    "gain": _gain,
    "limiter": _limiter,
}
