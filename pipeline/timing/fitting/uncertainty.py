"""Hold what the strikes leave possible, and answer every question for an estimate and its variance.

How much pins, scatter and speed vary is found from the same strikes as all else. Where these are few, an error told as
if those scales were known is too small. So the equations are solved again with scales around the likeliest ones, and a
variance is the mean over them of

    its variance there + (estimate there − likeliest estimate)².

The scales lie on the axes of the likelihood's curvature, to both sides as far out as the likelihood has fallen alike: a
cubature of the third degree (Arasaratnam & Haykin 2009, IEEE Trans. Automat. Contr. 54, 1254), its sides stretched each
by itself as Rue, Martino & Chopin do (2009, J. R. Stat. Soc. B 71, 319, sec. 6.5); both from memory. The mean is over
what the restricted likelihood and the weak priors of `variance_components` leave possible.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.timing.fitting import misplaced_pins
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.solve import likelihood, solve, solve_again
from pipeline.timing.fitting.state import State
from pipeline.timing.model.normal_equations import Scales
from pipeline.timing.model.solution import Solved

MOST_SOLUTIONS = 4  # until no flag is withdrawn any more; free: 0
# From which the scales are known well enough: with 2300 hits (four takes of a song) their doubt widens errors by 0.1 %,
# that of τ by 0.9 %.
ENOUGH_HITS = 2500


@dataclass(frozen=True, eq=False)
class Posterior:
    """The solutions that are possible.

    Parameters
    ----------
    likeliest : Solved
        With the likeliest scales.
    possible : list of (float, Solved)
        Shares, which sum to 1, and solutions with scales around the likeliest ones.
    """

    likeliest: Solved
    possible: list[tuple[float, Solved]]

    def mean_and_variance(
        self, estimate_of: Callable[[Solved], tuple[np.ndarray, np.ndarray]]
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return estimates and their variances over all scales that are possible.

        Parameters
        ----------
        estimate_of : callable
            From a solution to estimates and their variances by it, both of shape (n,).

        Returns
        -------
        estimate, variance : np.ndarray, shape=(n,)
            The estimate is that of the likeliest scales; the variance is the mean square about it.
        """
        mean, _ = estimate_of(self.likeliest)
        variance = np.zeros(np.shape(mean))
        for share, solved in self.possible:
            estimate, own = estimate_of(solved)
            variance = variance + share * (own + (estimate - mean) ** 2)
        return mean, variance


def settle(prepared: Prepared, state: State, scales: Scales) -> tuple[State, Solved]:
    """Return state and solution with the likeliest scales, without the flags that are not significant."""
    for _ in range(MOST_SOLUTIONS):
        solved, before = solve(prepared, state, scales), state
        state = misplaced_pins.withdraw(prepared, state, solved)
        if (state.flagged == before.flagged).all():
            break
    return state, solved


def posterior(prepared: Prepared, state: State, likeliest: Solved) -> Posterior:
    """Return the solutions around the likeliest one; that one alone when hits are many."""
    if len(prepared.hits.line) > ENOUGH_HITS:
        return Posterior(likeliest, [(1.0, likeliest)])
    possible = []
    for share, scales in likelihood(prepared, state, likeliest).around(likeliest.scales):
        try:
            possible.append((share, solve_again(prepared, state, likeliest, scales)))
        except np.linalg.LinAlgError:
            continue
    total = sum(share for share, _ in possible)
    return Posterior(likeliest, [(share / total, solved) for share, solved in possible] or [(1.0, likeliest)])
