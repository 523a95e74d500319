"""Integrate the lateness by load along one line (the law of `load`), stretch by stretch."""

from dataclasses import dataclass

import numpy as np

LONGEST = 500.0  # exponents summed in one go: e^500 is still a number
STEP_BEAT = 0.5  # longest stretch integrated in one go; free: 0.004
SLOWEST = 0.35  # S less its mean: the speed is down to .55 of the mean; more is no machine that plays; free: 0
MEAN_STEPS = 3  # of Newton's method for the mean: each doubles the right digits; free: 0
SAME_BEAT = 1e-9  # places nearer than this are one: rounding of their sums
# Gauss and Legendre's three points of the unit interval, and their weights (from memory).
POINTS = 0.5 + np.sqrt(0.15) * np.array([-1.0, 0.0, 1.0])
WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18


@dataclass(frozen=True, eq=False)
class LineLoad:
    """What loads one line.

    Parameters
    ----------
    begin, until : float
        First strike and end of the line, nominal beats.
    recovery : float
        τ on this line, nominal beats.
    share : float
        What the drags are multiplied with on this line.
    loads : list of (np.ndarray, np.ndarray)
        Of each load its strikes (sorted, nominal beats), and how heavy each is.
    size : np.ndarray, shape=(n_loads + 1,)
        Drag of each load; last the start of the line.
    """

    begin: float
    until: float
    recovery: float
    share: float
    loads: list[tuple[np.ndarray, np.ndarray]]
    size: np.ndarray


@dataclass(frozen=True, eq=False)
class SlowedLine:
    """One line in short stretches, each integrated by three points.

    Parameters
    ----------
    edges : np.ndarray, shape=(n + 1,)
        Ends of the stretches, nominal beats.
    begin : float
        From where lateness counts, nominal beats.
    left : np.ndarray, shape=(n, k)
        What is left of each load, per unit, at the left end of each stretch.
    gone : np.ndarray, shape=(n, 3)
        What is left of it at the three points, over that at the left end.
    width : np.ndarray, shape=(n, 3)
        Weight of each point in the integral, nominal beats.
    slow : np.ndarray, shape=(n, 3)
        S at the points.
    inside : np.ndarray of bool, shape=(n,)
        Stretches that the mean is taken over.
    """

    edges: np.ndarray
    begin: float
    left: np.ndarray
    gone: np.ndarray
    width: np.ndarray
    slow: np.ndarray
    inside: np.ndarray

    def late(self) -> np.ndarray:
        """Return what each stretch adds to the lateness, in beats."""
        return (self.width * ((1 - 2 * self.slow) ** -0.5 - 1)).sum(axis=1)

    def late_by_load(self) -> np.ndarray:
        """Return its change per unit of each load, S₂ taken as constant; shape=(n, k)."""
        steep = self.width * (1 - 2 * self.slow) ** -1.5
        of_load, of_mean = self.left * (steep * self.gone).sum(axis=1)[:, None], steep.sum(axis=1)
        total = of_mean[self.inside].sum()
        mean = of_load[self.inside].sum(axis=0) / total if total > 0 else np.zeros(self.left.shape[1])
        return of_load - np.multiply.outer(of_mean, mean)

    def sums(self, pieces, u_beat) -> np.ndarray:
        """Return the sums of the stretches' `pieces` from the beginning to each place."""
        summed = np.vstack([np.zeros(pieces.shape[1]), np.cumsum(pieces, axis=0)])
        first, *at = np.searchsorted(self.edges, np.append(self.begin, u_beat) - SAME_BEAT)
        return summed[at] - summed[first]


def integrate(line: LineLoad, struck, u_beat) -> SlowedLine:
    """Integrate one line.

    Parameters
    ----------
    struck : np.ndarray, shape=(n_strikes,)
        All strikes of the line, nominal beats.
    u_beat : np.ndarray, shape=(n_places,)
        Places that lateness will be asked for, nominal beats.
    """
    edges = _edges(struck, u_beat)
    at, step = edges[:-1], np.diff(edges)
    left = np.zeros((len(at), len(line.loads)))
    for place, (own, heavy) in enumerate(line.loads):
        if len(own):
            left[:, place] = _left_of(own, heavy, line.recovery, at)
    left = np.column_stack([line.share * left, np.exp(-np.maximum(at - line.begin, 0) / line.recovery)])
    gone = np.exp(-np.multiply.outer(step, POINTS) / line.recovery)
    width = np.multiply.outer(step, WEIGHTS)
    begun = at > line.begin - SAME_BEAT
    inside = begun & (at < line.until - SAME_BEAT)
    first_order = (left @ line.size)[:, None] * gone
    slow = _second_order(first_order, width, inside, edges, line.recovery, begun)
    return SlowedLine(edges, line.begin, left, gone, width, slow, inside)


def _edges(struck, u_beat):
    """Return strikes and places in order, long stretches divided."""
    edges = np.concatenate([struck, u_beat])
    low, high = edges.min(), edges.max()
    edges = np.unique(np.concatenate([edges, np.arange(low, high, STEP_BEAT), [high + STEP_BEAT]]))
    return edges[np.r_[True, np.diff(edges) > SAME_BEAT]]


def _left_of(struck, heavy, recovery, at):
    """Return how much is left, at the places `at`, of all strikes before and there."""
    sums = fade_sums(struck, heavy, recovery)
    last = np.searchsorted(struck, at + SAME_BEAT) - 1
    some = last >= 0
    out = np.zeros(len(at))
    out[some] = sums[last[some]] * np.exp(-(at[some] - struck[last[some]]) / recovery)
    return out


def _second_order(loss, width, inside, edges, recovery, begun):
    """Return S at the points from its first order, `loss`; S₂ is 0 until the line has `begun`."""
    if not inside.any():
        return np.zeros_like(loss)
    own = width[inside] / width[inside].sum()
    first = np.clip(loss - (own * loss[inside]).sum(), -SLOWEST, SLOWEST)
    # −S₂: driven by (y²/2)/τ, its mean apart, and fading as all else does.
    drive = first**2 / (2 * recovery)
    drive = np.where(begun[:, None], drive - (own * drive[inside]).sum(), 0.0)
    step = np.diff(edges)
    come = (width * drive * np.exp(-np.multiply.outer(step, 1 - POINTS) / recovery)).sum(axis=1)
    carried = np.concatenate([[0.0], fade_sums(edges[1:], come, recovery)[:-1]])
    second = carried[:, None] * np.exp(-np.multiply.outer(step, POINTS) / recovery)
    second += drive * np.multiply.outer(step, POINTS)
    whole = loss - second
    mean = (own * whole[inside]).sum()
    for _ in range(MEAN_STEPS):  # Newton: the mean of (1 − 2 S)^(−1/2) is 1
        slow = np.minimum(whole[inside] - mean, SLOWEST)
        mean += ((own * (1 - 2 * slow) ** -0.5).sum() - 1) / (own * (1 - 2 * slow) ** -1.5).sum()
    return np.minimum(whole - mean, SLOWEST)


def fade_sums(struck, heavy, recovery):
    """Return Σ_j≤k h_j e^(−(u_k − u_j)/τ) at each strike u_k, its own included.

    Parameters
    ----------
    struck : np.ndarray, shape=(n,)
        u, sorted.
    heavy : np.ndarray, shape=(n,)
        h.
    recovery : float
        τ in the unit of u.
    """
    scaled = np.asarray(struck) / recovery
    sums = np.empty(len(scaled))
    begin, carried = 0, 0.0
    while begin < len(scaled):
        end = np.searchsorted(scaled, scaled[begin] + LONGEST, side="right")
        grown = np.exp(scaled[begin:end] - scaled[begin])
        sums[begin:end] = (np.cumsum(heavy[begin:end] * grown) + carried) / grown
        if end < len(scaled):
            carried = sums[end - 1] * np.exp(scaled[end - 1] - scaled[end])
        begin = end
    return sums
