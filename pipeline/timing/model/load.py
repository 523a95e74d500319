"""The load of the strikes: each takes energy from the turning parts, and the speed it costs comes back over τ.

A strike of striker s takes the energy E_s, so that ω² falls by 2 E_s / I: a strike costs a slow machine more speed than
a fast one. The torque of drive and brake lets ω² come back over the recovery τ. With

- the drag d_s = E_s / (I ω_g²), the share of the line's mean speed ω_g that one strike takes,
- the start s_g, the share by which the line begins slower,

the speed and the lateness are

    ω² = ω_g² (1 − 2 S),     S(u) = Σ d_s e^(−(u−u')/τ) + s_g e^(−(u−u_0)/τ) + S₂(u) − c,
    lateness(u) = ∫ ((1 − 2 S)^(−1/2) − 1) du / ω_g,

where c makes the mean of the integrand 0 (ω_g is the mean speed under load). To the first order the lateness is the sum
of (d_s τ/ω)(1 − e^(−(u−u')/τ)) over the strikes before.

Derivation: I dω/dt = torque − R ω with τ = I ω/R in beats, and ½ I ω² falls by E at a strike (standard mechanics). With
y = −S this is dy/du = (y²/2 − y)/τ + constant between strikes; S₂ is the second-order part that y²/2 adds.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.data.strikes import Strikes
from pipeline.timing.model.load_integral import LineLoad, SlowedLine, integrate


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
        """Return τ of each line in nominal beats, shape=(n_lines,): it is the same in seconds at every tempo."""
        return self.recovery_beats * np.mean(self.beat_s) / self.beat_s

    def line_share(self) -> np.ndarray:
        """Return the factor of the drags on each line, shape=(n_lines,): the same energy is more of a slow speed."""
        return (self.beat_s / np.mean(self.beat_s)) ** 2


@dataclass(frozen=True, eq=False)
class Lateness:
    """The lateness by load at places.

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
        """Return the lateness less its terms in drags and starts, shape=(n,); `line` is the line of each place."""
        return self.whole_s - self.by_drag_s @ law.drag - self.by_start_s * law.start[line]


def lateness(strikes: Strikes, law: Law, line, u_beat, until_u_beat) -> Lateness:
    """Return the lateness by load at places, and its change per unit of drags and starts.

    Parameters
    ----------
    line : np.ndarray of int, shape=(n,)
        Line of each place.
    u_beat : np.ndarray, shape=(n,)
        The places, nominal beats; a strike at the very place has not acted yet.
    until_u_beat : np.ndarray, shape=(n_lines,)
        Where each line ends: the mean is taken from its first strike to there.
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
    """Return `Lateness.whole_s` alone, shape=(n,); parameters as in `lateness`."""
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
