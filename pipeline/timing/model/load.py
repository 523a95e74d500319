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

from pipeline.timing.model.load_integral import LineLoad, SlowedLine, integrate
from pipeline.timing.strikes import Strikes


@dataclass(frozen=True, eq=False)
class Law:
    """How strikes load the machine.

    Parameters
    ----------
    drag : np.ndarray, shape=(n_strikers,)
        Share of the speed that a strike takes, at the mean pace of the lines.
    start : np.ndarray, shape=(n_lines,)
        Share of its speed by which each line begins slower, besides what its strikes will cost it.
    recovery_beats : float
        τ in nominal beats, at the mean pace of the lines.
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

    def remainder_s(self, law: Law, line) -> np.ndarray:
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
        slowed = _slowed(law, number, rows, u_beat[on], until_u_beat[number])
        pieces = np.column_stack([slowed.late_by_load(), slowed.late()])
        summed = law.beat_s[number] * slowed.sums(pieces, u_beat[on])
        by_drag_s[on], by_start_s[on], whole_s[on] = summed[:, :-2], summed[:, -2], summed[:, -1]
    return Lateness(whole_s, by_drag_s, by_start_s)


def whole(strikes: Strikes, law: Law, line, u_beat, until_u_beat) -> np.ndarray:
    """Return `Lateness.whole_s` alone."""
    whole_s = np.zeros(len(u_beat))
    for number, on, rows in _lines(strikes, line):
        slowed = _slowed(law, number, rows, u_beat[on], until_u_beat[number], together=True)
        whole_s[on] = law.beat_s[number] * slowed.sums(slowed.late()[:, None], u_beat[on])[:, 0]
    return whole_s


def _lines(strikes, line):
    """Return number, places and strikes (those that fire) of every line."""
    fired = strikes.rows[strikes.rows["fires"]]
    struck = dict(iter(fired.groupby("line")[["u_beat", "striker"]]))
    return [(number, np.flatnonzero(line == number), struck[number]) for number in np.unique(line) if number in struck]


def _slowed(law, number, rows, u_beat, until, together=False) -> SlowedLine:
    """Integrate one line: the strikes of each striker by themselves, or (`together`) all strikes as one load."""
    struck, striker = rows["u_beat"].to_numpy(), rows["striker"].to_numpy()
    if together:
        loads, size = [(struck, law.drag[striker])], np.ones(1)
    else:
        each = [struck[striker == one] for one in range(len(law.drag))]
        loads, size = [(mine, np.ones(len(mine))) for mine in each], law.drag
    line = LineLoad(
        begin=law.first_u_beat[number],
        until=until,
        recovery=law.line_recovery_beats()[number],
        share=law.line_share()[number],
        loads=loads,
        size=np.append(size, law.start[number]),
    )
    return integrate(line, struck, u_beat)
