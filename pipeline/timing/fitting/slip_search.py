"""Find slips: steps of the lateness that are significant over all places of all takes and that nothing smooth explains.

One after the other: the most significant one enters the model, and the rest is looked at again. Every search starts
anew, so that a slip moves to where the latest scales place it. A place counts when

- the step is significant among all places of the group, held against the steps that are seen everywhere in it (where
  the slow motion of a crew is rougher than the model says, steps are everywhere);
- it explains the strikes better than a stumble of the crew, which is smooth, than a fall of the speed, and than one
  late pin or chord would;
- enough onsets lie to both sides.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from pipeline.timing.data.score import CHORD_BEAT
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.slips import Slip, columns
from pipeline.timing.fitting.solve import solve
from pipeline.timing.fitting.state import State
from pipeline.timing.model import periodogram
from pipeline.timing.model.normal_equations import Scales
from pipeline.timing.model.solution import Solved
from pipeline.timing.model.step_test import step_tests

CHANCE = 0.01  # of a slip that is none, in a group
MARGIN = 3.0  # of chi-square, by which it must beat anything else that may have happened: odds of 4 to 1
MOST_SLIPS = 8  # in one group: a drive that slips more often is not told by steps
FEWEST_ONSETS = 6  # of a track to either side of a slip
LONGEST_BEAT = 2.0  # between two onsets; a longer rest hides how the lateness came about
STUMBLE_BEATS = np.array([3.0, 4.0])  # a flywheel does not let the speed fall and come back within less
AROUND_BEAT = np.linspace(-1.0, 1.0, 9)  # from the slip, where a stumble or a fall of speed may be instead


@dataclass(frozen=True, eq=False)
class Gaps:
    """The gaps between onsets that follow each other on a track, with enough onsets to either side.

    Parameters
    ----------
    line : np.ndarray of int, shape=(n_gaps,)
    before_u_beat, after_u_beat : np.ndarray, shape=(n_gaps,)
    chi_square : np.ndarray, shape=(n_gaps,)
        Of a step there, over the noise.
    noise : float
        How much greater the chi-squares of the group are than chance makes them, at least 1.
    """

    line: np.ndarray
    before_u_beat: np.ndarray
    after_u_beat: np.ndarray
    chi_square: np.ndarray
    noise: float


def search(prepared: Prepared, state: State, scales: Scales, last: bool) -> State:
    """Return the state with the slips that are significant; those of `common_slips` stay.

    Parameters
    ----------
    last : bool
        Else they need not explain the strikes better than a stumble does. A first search finds strikes beside a slip
        that weigh little, because the motion could not follow it, and these tell slip from stumble.
    """
    common = tuple(one for one in state.slips if one.common is not None)
    state = replace(state, slips=common)
    while len(state.slips) < len(common) + MOST_SLIPS:
        solved = solve(prepared, state, scales)
        slip = _next(prepared, state, solved, MARGIN if last else -np.inf)
        solved = None  # large: no two at a time
        if slip is None:
            break
        state = replace(state, slips=(*state.slips, slip))
    return state


def withdraw(prepared: Prepared, state: State, solved: Solved) -> State:
    """Return the state without the slips that are not significant any more, the others with their q-value."""
    if not state.slips:
        return state
    gaps = gaps_of(prepared, state, solved)
    q = np.minimum(1.0, len(gaps.line) * stats.chi2.sf(_squares(state, solved) / gaps.noise, 1))
    kept = [replace(one, q_value=float(value)) for one, value in zip(state.slips, q, strict=True) if value <= CHANCE]
    return replace(state, slips=tuple(kept))


def _squares(state, solved) -> np.ndarray:
    """Return the chi-square of each slip; of those at one place in every line that of their mean."""
    size_s, places = solved.beta("slip"), np.arange(len(solved.solution.beta))[solved.border.places["slip"]]
    covariance = solved.solution.beta_covariance[np.ix_(places, places)]
    square = size_s**2 / np.diag(covariance)
    number = np.array([-1 if one.common is None else one.common for one in state.slips])
    for one in set(number[number >= 0]):
        mine = number == one
        weight = np.linalg.pinv(covariance[np.ix_(mine, mine)]).sum(axis=0)
        square[mine] = (weight @ size_s[mine]) ** 2 / weight.sum()
    return square


def gaps_of(prepared: Prepared, state: State, solved: Solved) -> Gaps:
    """Return the gaps in which a slip may lie, with the chi-square of a step in each."""
    hits, layout, tests = prepared.hits, prepared.layout, step_tests(solved)
    use = np.flatnonzero(state.weight > 0)
    # A struck onset by the unknown of its motion: the steps between two of them are one gap.
    struck, first = np.unique(layout.state[use], return_index=True)
    first = use[first]
    order = np.lexsort([hits.u_beat[first], hits.track[first]])
    struck, first = struck[order], first[order]
    track = hits.track[first]
    place = np.arange(len(first)) - np.searchsorted(track, track)
    left = np.bincount(track)[track] - place
    near = np.diff(hits.u_beat[first]) <= LONGEST_BEAT + CHORD_BEAT
    gap = np.flatnonzero((place[1:] >= FEWEST_ONSETS) & (left[1:] >= FEWEST_ONSETS) & near)
    by_end = np.zeros(layout.n)
    by_end[layout.step_to] = tests.chi_square
    chi_square = by_end[struck[gap + 1]]
    noise = max(1.0, float(np.median(chi_square)) / stats.chi2.median(1)) if len(gap) else 1.0
    one, other = first[gap], first[gap + 1]
    return Gaps(hits.line[one], hits.u_beat[one], hits.u_beat[other], chi_square / noise, noise)


def _next(prepared, state, solved, margin) -> Slip | None:
    """Return the most significant slip that the model does not hold yet; None when none is."""
    gaps = gaps_of(prepared, state, solved)
    chance = np.minimum(1.0, len(gaps.line) * stats.chi2.sf(gaps.chi_square, 1))
    for best in np.argsort(-gaps.chi_square, kind="stable"):
        if chance[best] > CHANCE:
            return None
        slip = Slip(*(float(one[best]) for one in (gaps.line, gaps.before_u_beat, gaps.after_u_beat, chance)))
        if _margin(prepared, state, solved, slip) / gaps.noise > margin:
            return slip
    return None


def _margin(prepared, state, solved, slip) -> float:
    """Return by how much a slip explains the strikes better than anything else that may have happened there.

    That is its chi-square less the greatest of a stumble (a smooth step within three or four beats), a fall of the
    speed that comes back over the recovery, and an odd onset on either side.
    """
    hits = prepared.hits
    mine = (hits.line == slip.line)[:, None]
    before, after = slip.before_u_beat, slip.after_u_beat
    others = smooth(hits.u_beat, (before + after) / 2, state.recovery_beats)
    odd = np.abs(hits.u_beat[:, None] - [before, after]) <= CHORD_BEAT
    step = columns((slip,), hits.line, hits.u_beat)
    chi_square = periodogram.each_alone(solved, np.hstack([step, mine * others, mine * odd]))
    return float(chi_square[0] - chi_square[1:].max())


def smooth(u_beat, middle, recovery_beats) -> np.ndarray:
    """Return what the crew may have done around a place instead: stumbles, falls of the speed, shape=(n, k)."""
    centre = middle + AROUND_BEAT
    middles, width = (one.ravel() for one in np.meshgrid(centre, STUMBLE_BEATS))
    gone = np.clip((u_beat[:, None] - middles) / width + 0.5, 0, 1)
    fallen = -np.expm1(-np.maximum(u_beat[:, None] - centre, 0.0) / recovery_beats)
    return np.hstack([(1 - np.cos(np.pi * gone)) / 2, fallen])
