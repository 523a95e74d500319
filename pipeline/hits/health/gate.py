"""Find digital silence: stretches in which no sample differs from the next, as only a noise gate makes.

In: samples of one channel, block by block. Out: stretches of silence, and the share of the time that they take.
"""

import numpy as np

SHORTEST_S = 0.005  # measured: samples that do not differ for so long; no microphone is so quiet
MOST_SILENCES = 200  # measured: in a block of 5 s; no gate closes so often, but rounding does
# Measured: where sound fades into the rounding of few bits, it lies so long before the silence within so many of the
# finest steps; a gate cuts it off from above that.
FADE_S, FADE_STEPS = 0.025, 3
# Measured: share of the time between first and last strike, and number of silences; a loose cable makes fewer.
LEAST_SHARE, LEAST_SILENCES = 0.05, 4


def extend(silences: list[tuple[int, int]], here: int, own: np.ndarray, rate_hz: int) -> None:
    """Add to a list the sudden silences of a block; one that goes on from the block before is lengthened.

    Parameters
    ----------
    silences : list of (int, int)
        First sample of each, and one after its last. Changed in place.
    here : int
        First sample of the block.
    own : (n,) array
        Its samples.
    rate_hz : int
    """
    of_block = _silences(own, rate_hz)
    if len(of_block) > MOST_SILENCES:
        return
    for begin, end in of_block:
        before = own[max(begin - round(FADE_S * rate_hz), 0) : begin] - own[begin]
        if begin > 0 and _stops_suddenly(before):
            silences.append((here + begin, here + end))
        elif begin == 0 and silences and silences[-1][1] == here:
            silences[-1] = (silences[-1][0], here + end)


def silent_share(silences: list[tuple[int, int]], begin: float, end: float) -> float | None:
    """Return the share of the time that a gate silenced; None if no gate did.

    Parameters
    ----------
    silences : list of (int, int)
        As `extend` makes it.
    begin, end : float
        Samples of the first and last strike, begin <= end.
    """
    inside = [(max(a, begin), min(b, end)) for a, b in silences if b > begin and a < end]
    share = sum(b - a for a, b in inside) / max(end - begin, 1)
    return None if share < LEAST_SHARE or len(inside) < LEAST_SILENCES else share


def _silences(samples: np.ndarray, rate_hz: int) -> list[tuple[int, int]]:
    """Return first sample, and one after the last, of stretches of equal samples of SHORTEST_S or more."""
    shortest = round(SHORTEST_S * rate_hz)
    probes = samples[:: max(1, shortest // 2)]
    if not (probes[:-1] == probes[1:]).any():
        return []
    changes = np.flatnonzero(samples[1:] != samples[:-1])
    edges = np.concatenate([[-1], changes, [len(samples) - 1]])
    gap = np.flatnonzero(np.diff(edges) >= shortest)
    return [(int(edges[at]) + 1, int(edges[at + 1]) + 1) for at in gap]


def _stops_suddenly(before: np.ndarray) -> bool:
    """Tell whether sound stops while it is still above the finest steps of its samples."""
    step = np.abs(np.diff(before, append=0.0))
    return bool(np.abs(before).max(initial=0.0) > FADE_STEPS * step[step > 0].min(initial=np.inf))
