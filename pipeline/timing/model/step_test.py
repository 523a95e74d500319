"""Test at every place of every track whether the motion makes a step there: all later strikes come later at once.

In a state-space model the score of a shock to a state, and the information on it, stand in the smoothed disturbance of
its step and in that disturbance's variance (de Jong & Penzer 1998, J. Am. Stat. Assoc. 93, 796; from memory). So one
pass along the score tests all places within the whole model. Here the disturbance of a step is w = x' − F x of variance
Q; with its smoothed value ŵ and the variance V that the strikes leave it, the score is Q⁻¹ ŵ and the information
Q⁻¹ − Q⁻¹ V Q⁻¹, of which the entries of the lateness f count. V holds what the border's unknowns leave open.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.model import bordered_solver, motion
from pipeline.timing.model.solution import Solved

# Shorter steps (nominal beats) hold the motion so tightly that the information is lost in rounding; a step between two
# strikes has others beside it, or the next strikes are an audible chord.
SHORTEST_BEAT = 0.05


@dataclass(frozen=True, eq=False)
class StepTests:
    """Chi-squares of one degree of freedom and estimates at the steps of the layout (in its order).

    Parameters
    ----------
    chi_square : np.ndarray, shape=(n_steps,)
        0 where a step is too short to be tested.
    size_s : np.ndarray, shape=(n_steps,)
    """

    chi_square: np.ndarray
    size_s: np.ndarray


def step_tests(solved: Solved) -> StepTests:
    """Test a step of the lateness at each step of the motion, beside all that the solved model holds."""
    layout, scales = solved.layout, solved.scales
    tested = np.flatnonzero(layout.step_beat >= SHORTEST_BEAT)
    begin, end = layout.step_from[tested], layout.step_to[tested]
    rate_sd = scales.speed_sd * solved.data.beat_s
    forward = motion.transition(layout.step_beat[tested], scales.speed_beats)
    certain = np.linalg.inv(motion.noise(layout.step_beat[tested], rate_sd, scales.speed_beats))
    disturbance = np.concatenate([-forward, np.broadcast_to(np.eye(2), forward.shape)], axis=2)
    left = np.einsum("nij,njk,nlk->nil", disturbance, _covariances(solved, begin, end), disturbance)
    places = np.stack([begin, begin + 1, end, end + 1], axis=1)
    by_border = np.einsum("nij,njm->nim", disturbance, solved.gain_at(places))
    left += np.einsum("nim,mk,njk->nij", by_border, solved.solution.beta_covariance, by_border, optimize=True)
    score = np.einsum("nij,njk,nk->ni", certain, disturbance, solved.solution.x[places])[:, 0]
    information = (certain - certain @ left @ certain)[:, 0, 0]
    told = information > 0
    chi_square, size_s = np.zeros(len(layout.step_beat)), np.zeros(len(layout.step_beat))
    chi_square[tested[told]] = score[told] ** 2 / information[told]
    size_s[tested[told]] = score[told] / information[told]
    return StepTests(chi_square, size_s)


def _covariances(solved, begin, end):
    """Return the covariance of (f, v, f', v') at both ends of steps if the border were known, shape=(n, 4, 4)."""
    edges = solved.layout.edges
    block = np.searchsorted(edges, begin, side="right") - 1
    order = np.argsort(block, kind="stable")
    starts = np.searchsorted(block[order], np.arange(len(edges)))
    found = np.zeros((len(begin), 4, 4))
    following = None
    backwards = bordered_solver.covariances_backwards(solved.normal, edges)
    for number, (here, right) in zip(reversed(range(len(edges) - 1)), backwards, strict=True):
        at = order[starts[number] : starts[number + 1]]
        if len(at):
            one, other = (np.stack([place, place + 1], axis=1) for place in (begin[at], end[at]))
            one, other = one - edges[number], other - edges[number + 1]
            found[at, :2, :2] = here[one[:, :, None], one[:, None, :]]
            found[at, :2, 2:] = right[one[:, :, None], other[:, None, :]]
            found[at, 2:, :2] = np.swapaxes(found[at, :2, 2:], 1, 2)
            found[at, 2:, 2:] = following[other[:, :, None], other[:, None, :]]
        following = here
    return found
