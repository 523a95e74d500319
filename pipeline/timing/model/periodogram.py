"""Look along all orders for a sine in what a fit leaves, each line with a phase of its own.

The power at an order is the squared length of the score of its sine and cosine in units of their information: the
chi-square of Lomb (1976, Astrophys. Space Sci. 39, 447) and Scargle (1982, Astrophys. J. 263, 835), summed over lines.
Deviation: noise here is not white. The score is of the whole model; the information counts what the slow motion of a
track takes of a wave, and in a mean way what the pins take, not what delays and drags take. It serves to find the
peaks; `score_test` (Rao 1948, Math. Proc. Camb. Philos. Soc. 44, 50; from memory) judges them by the whole model.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.timing.model import bordered_solver, normal_equations
from pipeline.timing.model.design import Border
from pipeline.timing.model.solution import Solved

LEAST_TOLD = 1e-6  # of the information that there would be if the model took nothing: below, rounding is left
CHUNK = 256  # orders at a time: the waves of a long song fill some 10 MB


@dataclass(frozen=True, eq=False)
class Tested:
    """What the whole model says of columns that it does not hold yet.

    Parameters
    ----------
    chi_square : float
        By how much they would lower the weighted sum of squares; χ² of as many degrees of freedom by chance.
    estimate : np.ndarray, shape=(k,)
    information : np.ndarray, shape=(k, k)
    """

    chi_square: float
    estimate: np.ndarray
    information: np.ndarray


def score_test(solved: Solved, columns) -> Tested:
    """Test `columns`, shape=(n_hits, k), beside all that the solved model holds (Rao's score test)."""
    of_score, information, most = score(solved, columns)
    size, axes = np.linalg.eigh((information + information.T) / 2)
    # What the model can take whole tells nothing.
    told = size > LEAST_TOLD * most.max(initial=0.0)
    axes, size = axes[:, told], size[told]
    of_score = axes.T @ of_score
    return Tested(float((of_score**2 / size).sum()), axes @ (of_score / size), (axes * size) @ axes.T)


def each_alone(solved: Solved, columns) -> np.ndarray:
    """Return the chi-square of each of `columns`, shape=(n_hits, k), as if it were tested alone; 0 where none tells."""
    of_score, information, most = score(solved, columns)
    own = np.diag(information)
    told = own > LEAST_TOLD * most
    return np.where(told, of_score**2 / np.where(told, own, 1.0), 0.0)


def score(solved, columns):
    """Return the score of the columns, their information, and what that would be if the model took nothing of them."""
    data = solved.data
    certain = data.weight / normal_equations.hit_variance(data, solved.scales)
    weighted = columns * certain[:, None]
    seen = normal_equations.seen_by(solved.layout, data.relative_pace)
    half = bordered_solver.forward(solved.solution, seen.T @ weighted)
    rest = solved.border.matrix.T @ weighted - solved.solution.half.T @ half
    taken = half.T @ half + rest.T @ solved.solution.beta_covariance @ rest
    whole = columns.T @ weighted
    return weighted.T @ (data.late_s - solved.fitted_s()), whole - taken, np.abs(np.diag(whole))


def powers(orders, knot_turn, offset_turn, rest, part_of_track, information) -> np.ndarray:
    """Return the chi-square of a sine at each order, summed over the parts, each with a phase of its own.

    Parameters
    ----------
    orders : np.ndarray, shape=(n_orders,)
    knot_turn : np.ndarray, shape=(n_knots,)
        Places that all tracks share.
    offset_turn : np.ndarray, shape=(n_tracks,)
        What each track adds to them.
    rest : np.ndarray, shape=(n_tracks, n_knots)
        Residuals over their variances, summed.
    part_of_track : np.ndarray of int, shape=(n_tracks,)
        Row of `information`; −1: none.
    information : np.ndarray, shape=(n_parts, n_orders)
        On sine and cosine together: Σ certainty where the residuals are white.
    """
    of_part = (np.arange(len(information))[:, None] == part_of_track).astype(float)
    found = np.zeros(len(orders))
    for start in range(0, len(orders), CHUNK):
        part = slice(start, start + CHUNK)
        score = rest @ np.exp(2j * np.pi * np.multiply.outer(knot_turn, orders[part]))
        score = of_part @ (score * np.exp(2j * np.pi * np.multiply.outer(offset_turn, orders[part])))
        found[part] = (2 * np.abs(score) ** 2 / information[:, part]).sum(axis=0)
    return found


def wave_information(layout, data, scales, orders, turn) -> np.ndarray:
    """Return the information on sine and cosine together that the slow motion of one track leaves, shape=(n_orders,).

    Parameters
    ----------
    layout : Layout
        Of that track alone, without pins.
    data : Data
    turn : np.ndarray, shape=(n_hits,)
    """
    nothing = Border(np.zeros((len(turn), 0)), np.zeros(0), np.zeros(0), {})
    solution = bordered_solver.solve(normal_equations.system(layout, nothing, data, scales))
    certain = data.weight / normal_equations.hit_variance(data, scales)
    seen = normal_equations.seen_by(layout, data.relative_pace)
    found = np.zeros(len(orders))
    for start in range(0, len(orders), CHUNK):
        angle = 2 * np.pi * np.multiply.outer(turn, orders[start : start + CHUNK])
        waves = np.hstack([np.sin(angle), np.cos(angle)])
        half = bordered_solver.forward(solution, seen.T @ (waves * certain[:, None]))
        kept = certain.sum() - (half**2).sum(axis=0).reshape(2, -1).sum(axis=0)
        found[start : start + CHUNK] = kept
    return np.maximum(found, 1e-9 * certain.sum())


def false_alarm(chi_square: float, df: int, width: float, turn_variance: float) -> float:
    """Return how probable so large a chi-square is somewhere within `width` orders by chance, at most 1.

    The chance at one order, and the mean number of times that the chi-square crosses the level on its way (Davies 1987,
    Biometrika 74, 33, eq. 2.1, for the sum of `df` squares; Baluev 2008, Mon. Not. R. Astron. Soc. 385, 1279, has the
    same for two); both from memory. It is an upper bound, and close where it is small.

    Parameters
    ----------
    turn_variance : float
        Of the places of the hits: the score of a wave changes with its order at 4π² × this.
    """
    half = chi_square / 2
    if df == 0 or half <= 0:
        return 1.0
    crossings = width * np.sqrt(4 * np.pi * turn_variance)
    log_rate = (df - 1) / 2 * np.log(half) - half - special.gammaln(df / 2)
    return float(min(1.0, special.gammaincc(df / 2, half) + crossings * np.exp(log_rate)))


def level(chance: float, df: int, width: float, turn_variance: float) -> float:
    """Return the chi-square whose `false_alarm` is `chance`."""
    low, high = 0.0, 20.0 * (df + 40.0)
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if false_alarm(middle, df, width, turn_variance) < chance else (middle, high)
    return high
