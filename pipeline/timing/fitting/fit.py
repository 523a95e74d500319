"""Fit one model to all takes of a group: motion + load + shafts + striker + pin + scatter.

For take r and line g (a segment of it), at the score time u in nominal beats,

    t = T_g + u/ω_g + f_g(u) + Σ (d_s τ/ω)(1 − e^(−(u−u')/τ)) + L_s + C_s company + R_s e^(−gap/ρ) + P_pin ω̄/ω(u) + e

(the load to the first order; `model.load` tells the whole law). In each round the model, linear about the last solution
(Gauss-Newton: load, recovery, company, ρ), is solved at once; then pins are flagged and hits weighed (`step`).
"""

from pipeline.timing.data.score import Score
from pipeline.timing.data.strikes import Strikes
from pipeline.timing.fitting import readout
from pipeline.timing.fitting.prepare import prepare
from pipeline.timing.fitting.result import Fit
from pipeline.timing.fitting.solve import likelihood
from pipeline.timing.fitting.state import first_state
from pipeline.timing.fitting.step import step
from pipeline.timing.fitting.uncertainty import posterior, settle
from pipeline.timing.model.variance_components import USUAL

__all__ = ["Fit", "fit"]

# Rounds before the first search for the scales, before the second, and after that. Twice as many move estimates by 0.01
# of their standard errors (root mean square), half as many by 0.07.
ROUNDS = (4, 4, 3)


def fit(score: Score, strikes: Strikes) -> Fit:
    """Fit the model to the strikes of a group.

    Raises
    ------
    numpy.linalg.LinAlgError
        The strikes do not tell enough, or no speed explains their times.
    """
    prepared = prepare(score, strikes)
    state, scales, solved = first_state(prepared), USUAL, None
    for rounds in ROUNDS:
        if solved is not None:
            scales = likelihood(prepared, state, solved).greatest(scales)
        for _ in range(rounds):
            state, solved = step(prepared, state, scales)
    state, solved = settle(prepared, state, scales)
    return readout.read(prepared, state, posterior(prepared, state, solved))
