"""Carry the doubt about the scales into every error.

How much pins, scatter and speed vary is found from the same strikes as all else. Where these are few, an error told as
if those scales were known is too small. So the equations are solved again with scales around the likeliest ones, and a
variance is the mean over them of

    its variance there + (estimate there − likeliest estimate)².

The scales lie on the axes of the likelihood's curvature, to both sides as far out as the likelihood has fallen alike: a
cubature of the third degree (Arasaratnam & Haykin 2009, IEEE Trans. Automat. Contr. 54, 1254), its sides stretched each
by itself as Rue, Martino & Chopin do (2009, J. R. Stat. Soc. B 71, 319, sec. 6.5); both from memory. The mean is over
what the restricted likelihood and the weak priors of `scales` leave possible.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.fitting.step import Work
from pipeline.timing.model.normal_equations import Scales
from pipeline.timing.model.solution import Covariance, Solved

AGAIN = 4  # solutions at most until the calls of misplaced pins stand
ENOUGH = 2500  # hits from which the scales are known so well that the doubt adds next to nothing to any error


@dataclass(frozen=True, eq=False)
class Possible:
    """One solution, with scales that are possible.

    Parameters
    ----------
    share : float
        Of all that is possible.
    """

    share: float
    scales: Scales
    solved: Solved
    covariance: Covariance


def likeliest(work: Work, found: Scales) -> Possible:
    """Return the solution with the likeliest scales, all calls of misplaced pins that do not stand taken back."""
    for _ in range(AGAIN):
        solved = work.solve(found)
        covariance = Covariance(solved, work.layout)
        if not work.take_back(found, *work.pin_estimates(solved, covariance)):
            break
    return Possible(1.0, found, solved, covariance)


def around(work: Work, best: Possible) -> list[Possible]:
    """Return the solutions around the likeliest one, their shares summing to 1; that one itself when hits are many."""
    if len(work.hits) > ENOUGH:
        return [best]
    possible = []
    for share, scales in work.scales_around(best.scales):
        try:
            solved = work.solve_alike(scales)
        except np.linalg.LinAlgError:
            continue
        possible.append(Possible(share, scales, solved, Covariance(solved, work.layout)))
    total = sum(one.share for one in possible)
    return [Possible(one.share / total, one.scales, one.solved, one.covariance) for one in possible] or [best]


def variance(possible: list[Possible], likeliest_estimate, estimate_of) -> np.ndarray:
    """Return the variance of estimates about the likeliest ones.

    Parameters
    ----------
    estimate_of : callable
        From a Possible to the estimates and their variances there, each of shape (n,).
    """
    total = np.zeros(np.shape(likeliest_estimate))
    for one in possible:
        estimate, own = estimate_of(one)
        total = total + one.share * (own + (estimate - likeliest_estimate) ** 2)
    return total
