"""Look at the candidates again, with what the recording itself tells: how each channel's strikes sound and what leaks.

The surest candidates of a channel, those that no neighbour explains, make its mean sounds (`align.sounds`). Every
candidate is held against them by a matched filter: a weak strike is like the strong ones, noise is not, and what leaks
in from a neighbour is like the neighbour's.
"""

from dataclasses import dataclass, fields

import numpy as np

from pipeline.hits.signal import leakage, template

SURE = 0.5  # probability at first sight from which a candidate may help to make a sound
SURE_ABOVE_DB = 3.0  # above what leaks in, the same; by peaks it must be 0
PEAKS_S = 0.008  # between a strike and the peak of what leaks of it
RANG_TIMES, QUIET_TIMES = 2.0, 2.5  # root mean square before, which a peak's own part and one at all stand over
LOUD_QUANTILE = 0.9  # of a channel's peaks: loud strikes of its own, whatever leaks in
SURE_Z, SURE_SHARE = 6.0, 0.5  # of what `faint` found: over the noise, of the usual height and over the ring, the same
MANY = 400  # hits that make the sounds of many strikers: the low ones are seldom among the surest
BESIDE_S = (0.1, 0.004)  # before and after a candidate: where a stronger one may be what is heard


@dataclass(frozen=True)
class Seen:
    """What the second look adds, an entry a candidate.

    `above_db`: over the most that leaks in (infinite: no neighbours, or that lies below the noise); `late_db`: the same
    with some more milliseconds for a slow body; `usual_db`: against the usual strike of its channel; `known`: its
    channel's sounds are; and only then: `alike`, correlation with the best of them; `matched`, output of the matched
    filter over the root mean square of the noise before; `beside_db`: the same output over the strongest around.
    `sought`, (n, 3): heights in the filter of `faint`; 0 where that did not search, `faint.UNFOUND` where it found
    nothing. `peak_above_db`: as `above_db`, by the peaks of candidates; `loud_db`: the peak against its channel's loud
    ones.
    """

    above_db: np.ndarray
    late_db: np.ndarray
    usual_db: np.ndarray
    known: np.ndarray
    alike: np.ndarray
    matched: np.ndarray
    beside_db: np.ndarray
    sought: np.ndarray
    peak_above_db: np.ndarray
    loud_db: np.ndarray

    def part(self, rows: slice | np.ndarray) -> "Seen":
        """Return the entries of some candidates."""
        return Seen(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True)
class Sounds:
    """The sounds of one channel and the filter that whitens the noise before its strikes."""

    taps: np.ndarray
    sounds: list[template.Sound]


def look(
    heard, first: np.ndarray, shares: np.ndarray, mixed: np.ndarray, rate_hz: int
) -> tuple[Seen, dict[int, Sounds]]:
    """Look again.

    Parameters
    ----------
    heard : listen.Heard
    first : (n,) array
        Probability at first sight.
    shares : (n_channels,) bool array
        Which channels hear neighbours and are heard by them.
    mixed : (n_channels,) bool array
        Which channels hear many strikers.
    rate_hz : int

    Returns
    -------
    seen : Seen
    sounds : dict of int to Sounds
        Of each channel, from 0, that has some.
    """
    candidates, number = heard.candidates, heard.candidates["channel"]
    n = len(candidates)
    stands = (heard.sought[:, 0] > SURE_Z) & (heard.sought[:, 1:].min(axis=1) > SURE_SHARE)
    first = np.where(heard.sought[:, 0] > 0, stands, first)
    above_db, late_db = _over_leakage(heard, first, shares)
    peak_above_db, loud_db = _peak_above_db(heard, first, shares, rate_hz), _loud_db(candidates, first)
    own = heard.level[np.arange(n), number] + 1e-9
    usual_db, known = np.zeros(n), np.zeros(n, bool)
    alike, height, noise = np.zeros(n), np.zeros(n), np.ones(n)
    columns, found = heard.waveforms.columns, {}
    surely = (first > SURE) & (above_db >= SURE_ABOVE_DB) & (peak_above_db >= 0)
    for channel in np.unique(number):
        mine = np.flatnonzero(number == channel)
        sure = mine[surely[mine]]
        if len(sure) < template.FEWEST:
            continue
        usual_db[mine] = 20 * np.log10(own[mine] / np.median(own[sure]))
        pool = sure[np.argsort(-candidates["gain"][sure], kind="stable")[: MANY if mixed[channel] else template.POOL]]
        taps, sounds = template.sounds(heard.waveforms.read(heard.stored[pool]).astype(np.float32), columns)
        if not sounds:
            continue
        found[int(channel)], known[mine] = Sounds(taps, sounds), True
        for begin in range(0, len(mine), template.AT_ONCE):
            rows = mine[begin : begin + template.AT_ONCE]
            stored = heard.waveforms.read(heard.stored[rows])
            alike[rows], height[rows], noise[rows] = template.likeness(stored, taps, sounds, columns)
    beside_db = np.zeros(n)
    for channel in found:
        mine = np.flatnonzero(number == channel)
        mine = mine[np.argsort(candidates["at"][mine], kind="stable")]
        at_s = candidates["at"][mine] / rate_hz
        beside_db[mine] = _beside(at_s, 20 * np.log10(height[mine] * candidates["peak"][mine] + 1e-9))
    matched = height / noise
    seen = Seen(above_db, late_db, usual_db, known, alike, matched, beside_db, heard.sought, peak_above_db, loud_db)
    return seen, found


def above_db_of(heard, first: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """Return how far each candidate stands above what leaks in, (n,) array; infinite where nothing does."""
    return _over_leakage(heard, first, shares)[0]


def _over_leakage(heard, first: np.ndarray, shares: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the same, and with some more milliseconds for a slow body."""
    number, narrow = heard.candidates["channel"], np.flatnonzero(shares)
    over, mine = np.full((2, len(number)), np.inf), shares[number]
    over[:, mine] = leakage.above_leakage_db(
        *((both if mine.all() and shares.all() else both[np.ix_(mine, narrow)]) for both in (heard.risen, heard.level)),
        heard.late[mine],
        heard.quiet[narrow],
        np.searchsorted(narrow, number[mine]),
        first[mine],
    )
    return over[0], over[1]


def _peak_above_db(heard, first: np.ndarray, shares: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return how far each candidate's peak stands above what leaks in of those beside it, (n,) array."""
    narrow, above_db = np.flatnonzero(shares), np.full(len(first), np.inf)
    mine = shares[heard.candidates["channel"]]
    its = heard.candidates[mine]
    owner = np.searchsorted(narrow, its["channel"])
    own = np.sqrt(np.maximum(np.square(its["peak"]) - np.square(RANG_TIMES * its["noise"]), 0))
    heights = leakage.beside(its["at"], owner, own, len(narrow), PEAKS_S * rate_hz)
    noise = [its["noise"][owner == one] for one in range(len(narrow))]
    quiet = QUIET_TIMES * np.array([np.median(one) if len(one) else 0.0 for one in noise]) + 1e-9
    above_db[mine] = leakage.above_leakage_db(heights, heights, own, quiet, owner, first[mine])[0]
    return above_db


def _loud_db(candidates: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Return each candidate's peak against the loud strikes of its channel, (n,) array."""
    loud_db = np.zeros(len(candidates))
    for channel in np.unique(candidates["channel"]):
        mine = candidates["channel"] == channel
        sure = mine & (first > SURE)
        loud = np.quantile(candidates["peak"][sure if sure.any() else mine], LOUD_QUANTILE)
        loud_db[mine] = 20 * np.log10((candidates["peak"][mine] + 1e-9) / (loud + 1e-9))
    return loud_db


def _beside(at_s: np.ndarray, height_db: np.ndarray) -> np.ndarray:
    """Return each height over the highest around; times in order."""
    highest = height_db.copy()
    for direction, reach_s in ((1, BESIDE_S[0]), (-1, BESIDE_S[1])):
        for step in range(1, len(at_s)):
            here, there = (slice(step, None), slice(None, -step))[::direction]
            near = np.abs(at_s[here] - at_s[there]) < reach_s
            if not near.any():
                break
            highest[here] = np.where(near, np.maximum(highest[here], height_db[there]), highest[here])
    return height_db - highest
