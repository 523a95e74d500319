"""The load of the strikes: each takes energy from what turns, and the speed it costs comes back over the recovery time.

A strike of striker s takes the energy E_s, so that ω² falls by 2 E_s / I: the slower the machine turns, the more speed
one strike costs. What drives and brakes it lets ω² come back over τ. With the drag d_s = E_s / (I ω_g²), the share of
the mean speed ω_g of the line that a strike takes, and the start s_g, what the line begins slower with,

    ω² = ω_g² (1 − 2 S),     S(u) = Σ d_s e^(−(u−u')/τ) + s_g e^(−(u−u_0)/τ) + S₂(u) − c,

and what comes at u is late by ∫ ((1 − 2 S)^(−1/2) − 1) du / ω_g, with c such that the mean of that is 0: ω_g is the
mean under load. To the first order it is the sum of (d_s τ/ω)(1 − e^(−(u−u')/τ)) over the strikes before.

The law: I dω/dt = torque − R ω, τ = I ω/R beats, and ½ I ω² falls by E at a strike. With y = −S, dy/du = (y² / 2 − y)/τ
+ constant between strikes; S₂ is what y² / 2 makes of the first order, to the second.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.strikes import Strikes

LONGEST = 500.0  # exponents summed in one go: e^500 is still a number
STEP_BEAT = 0.5  # longest stretch integrated in one go
SLOWEST = 0.35  # S less its mean: the speed is down to .55 of the mean; more is no machine that plays
# Gauss and Legendre's three points of the unit interval, and their weights (from memory).
POINTS = 0.5 + np.sqrt(0.15) * np.array([-1.0, 0.0, 1.0])
WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18


@dataclass(frozen=True, eq=False)
class Law:
    """How strikes load the machine.

    Parameters
    ----------
    drag : np.ndarray, shape=(n_strikers,)
        At the mean pace of the lines.
    start : np.ndarray, shape=(n_lines,)
        What each line begins slower with, share of its speed, beside what its strikes will cost it.
    recovery_beats : float
        At the mean pace of the lines.
    beat_s : np.ndarray, shape=(n_lines,)
        Seconds per nominal beat (1/ω) of each line.
    first_u_beat : np.ndarray, shape=(n_lines,)
        First strike of each line.
    """

    drag: np.ndarray
    start: np.ndarray
    recovery_beats: float
    beat_s: np.ndarray
    first_u_beat: np.ndarray

    def line_recovery_beats(self) -> np.ndarray:
        """Return τ of each line: the recovery takes its time, whatever the tempo."""
        return self.recovery_beats * np.mean(self.beat_s) / self.beat_s

    def line_share(self) -> np.ndarray:
        """Return what the drags are multiplied with on each line: the same energy is a larger share of a slow speed."""
        return (self.beat_s / np.mean(self.beat_s)) ** 2


@dataclass(frozen=True, eq=False)
class Lateness:
    """What the load makes of the lateness at places.

    Parameters
    ----------
    whole_s : np.ndarray, shape=(n,)
        Lateness.
    by_drag_s : np.ndarray, shape=(n, n_strikers)
        Its change per unit of each drag.
    by_start_s : np.ndarray, shape=(n,)
        Its change per unit of the start of the place's own line.
    """

    whole_s: np.ndarray
    by_drag_s: np.ndarray
    by_start_s: np.ndarray

    def bent_s(self, law: Law, line) -> np.ndarray:
        """Return what the lateness is beside the sum of its answers to drags and starts."""
        return self.whole_s - self.by_drag_s @ law.drag - self.by_start_s * law.start[line]


def lateness(strikes: Strikes, law: Law, line, u_beat, until_u_beat) -> Lateness:
    """Return the lateness by load at places, and how it answers to drags and starts.

    Parameters
    ----------
    line : np.ndarray of int, shape=(n,)
        Line of each place.
    u_beat : np.ndarray, shape=(n,)
        The places; a strike at the very place has not acted yet.
    until_u_beat : np.ndarray, shape=(n_lines,)
        Where each line ends: the mean is that from its first strike to there.
    """
    whole_s, by_start_s = np.zeros(len(u_beat)), np.zeros(len(u_beat))
    by_drag_s = np.zeros((len(u_beat), len(law.drag)))
    for number, on, rows in _lines(strikes, line):
        course = _course(law, number, rows, u_beat[on], until_u_beat[number])
        summed = law.beat_s[number] * course.sums(np.column_stack([course.answers(), course.late()]), u_beat[on])
        by_drag_s[on], by_start_s[on], whole_s[on] = summed[:, :-2], summed[:, -2], summed[:, -1]
    return Lateness(whole_s, by_drag_s, by_start_s)


def whole(strikes: Strikes, law: Law, line, u_beat, until_u_beat) -> np.ndarray:
    """Return `Lateness.whole_s` alone."""
    whole_s = np.zeros(len(u_beat))
    for number, on, rows in _lines(strikes, line):
        course = _course(law, number, rows, u_beat[on], until_u_beat[number], together=True)
        whole_s[on] = law.beat_s[number] * course.sums(course.late()[:, None], u_beat[on])[:, 0]
    return whole_s


def _lines(strikes, line):
    """Return number, places and fired strikes of every line."""
    fired = strikes.rows[strikes.rows["fires"]]
    struck = dict(iter(fired.groupby("line")[["u_beat", "striker"]]))
    return [(number, np.flatnonzero(line == number), struck[number]) for number in np.unique(line) if number in struck]


@dataclass(frozen=True, eq=False)
class _Course:
    """One line in short stretches, each looked at in three points.

    Parameters
    ----------
    edges : np.ndarray, shape=(n + 1,)
    begin : float
        From where lateness counts.
    left : np.ndarray, shape=(n, k)
        What is there of each load, per unit, at the left end of a stretch.
    gone : np.ndarray, shape=(n, 3)
        What is there of it at the points, over that at the left end.
    width : np.ndarray, shape=(n, 3)
        Width that each point stands for.
    slow : np.ndarray, shape=(n, 3)
        S.
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

    def answers(self) -> np.ndarray:
        """Return its change per unit of each load, S₂ as it is; shape=(n, k)."""
        steep = self.width * (1 - 2 * self.slow) ** -1.5
        of_load, of_mean = self.left * (steep * self.gone).sum(axis=1)[:, None], steep.sum(axis=1)
        total = of_mean[self.inside].sum()
        mean = of_load[self.inside].sum(axis=0) / total if total > 0 else np.zeros(self.left.shape[1])
        return of_load - np.multiply.outer(of_mean, mean)

    def sums(self, pieces, u_beat) -> np.ndarray:
        """Return the sums of the stretches' `pieces` from the beginning to each place."""
        summed = np.vstack([np.zeros(pieces.shape[1]), np.cumsum(pieces, axis=0)])
        first, *at = np.searchsorted(self.edges, np.append(self.begin, u_beat) - 1e-9)
        return summed[at] - summed[first]


def _course(law, number, rows, u_beat, until, together=False):
    """Integrate one line: each load by itself, or (`together`) all of its strikes as one."""
    begin, recovery, share = law.first_u_beat[number], law.line_recovery_beats()[number], law.line_share()[number]
    struck, striker = rows["u_beat"].to_numpy(), rows["striker"].to_numpy()
    edges = _edges(struck, u_beat)
    at, step = edges[:-1], np.diff(edges)
    if together:
        left, size = _remembered(struck, law.drag[striker], recovery, at)[:, None], np.ones(1)
    else:
        left, size = np.zeros((len(at), len(law.drag))), law.drag
        for one in np.unique(striker):
            mine = struck[striker == one]
            left[:, one] = _remembered(mine, np.ones(len(mine)), recovery, at)
    left = np.column_stack([share * left, np.exp(-np.maximum(at - begin, 0) / recovery)])
    gone = np.exp(-np.multiply.outer(step, POINTS) / recovery)
    width = np.multiply.outer(step, WEIGHTS)
    inside = (at > begin - 1e-9) & (at < until - 1e-9)
    loss = (left @ np.append(size, law.start[number]))[:, None] * gone
    slow = _bent(loss, width, inside, edges, recovery, at > begin - 1e-9)
    return _Course(edges, begin, left, gone, width, slow, inside)


def _edges(struck, u_beat):
    """Return strikes and places in order, long stretches divided; places within 1e-9 are one."""
    edges = np.concatenate([struck, u_beat])
    low, high = edges.min(), edges.max()
    edges = np.unique(np.concatenate([edges, np.arange(low, high, STEP_BEAT), [high + STEP_BEAT]]))
    return edges[np.r_[True, np.diff(edges) > 1e-9]]


def _remembered(struck, heavy, recovery, at):
    """Return how much is left at places `at` of all that was struck before and there."""
    sums = fade_sums(struck, heavy, recovery)
    last = np.searchsorted(struck, at + 1e-9) - 1
    some = last >= 0
    out = np.zeros(len(at))
    out[some] = sums[last[some]] * np.exp(-(at[some] - struck[last[some]]) / recovery)
    return out


def _bent(loss, width, inside, edges, recovery, begun):
    """Return S at the points from the first order of it, `loss`; S₂ is 0 until the line has `begun`."""
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
    for _ in range(3):  # Newton: the mean of (1 − 2 S)^(−1/2) is 1
        slow = np.minimum(whole[inside] - mean, SLOWEST)
        mean += ((own * (1 - 2 * slow) ** -0.5).sum() - 1) / (own * (1 - 2 * slow) ** -1.5).sum()
    return np.minimum(whole - mean, SLOWEST)


def fade_sums(struck, heavy, recovery):
    """Return Σ_j≤k h_j e^(−(u_k − u_j)/τ) at each strike u_k of the sorted `struck`, its own included."""
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
