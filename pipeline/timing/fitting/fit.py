"""Fit one model to all takes of a group: motion + load + shafts + striker + pin + scatter.

For take r and line g (a segment of it), at the score time u in nominal beats,

    t = T_g + u/ω_g + f_g(u) + Σ (d_s τ/ω)(1 − e^(−(u−u')/τ)) + Σ (A sin + B cos)(2π order turn)
        + Σ slip [u > its place] + L_s + C_s company + R_s e^(−gap/ρ) + P_pin ω̄/ω(u) + e

(the load to the first order; `model.load` tells the whole law). In each round the model, linear about the last solution
(Gauss-Newton: load, recovery, company, ρ, orders), is solved at once; then pins are flagged and hits weighed (`step`).
"""

from pipeline import settings
from pipeline.timing.data.score import Score
from pipeline.timing.data.strikes import Strikes
from pipeline.timing.fitting import common_slips, readout, shaft_search, slip_search
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


def fit(score: Score, strikes: Strikes, machine: settings.Machine) -> Fit:
    """Fit the model to the strikes of a group.

    Raises
    ------
    numpy.linalg.LinAlgError
        The strikes do not tell enough, or no speed explains their times.
    """
    prepared = prepare(score, strikes, machine)
    state, scales, solved, before = first_state(prepared), USUAL, None, (0, 0)
    for number, rounds in enumerate(ROUNDS):
        if solved is not None:
            scales, before = likelihood(prepared, state, solved).greatest(scales), _n_found(state)
            solved = None  # a solution of many takes is large: no two at a time
            last = number == len(ROUNDS) - 1
            state = common_slips.search(prepared, state, scales) if last else state
            state = slip_search.search(prepared, state, scales, last)
            state = shaft_search.search(prepared, state, scales)
        state, solved = _stepped(prepared, state, scales, rounds)
    if _n_found(state) != before:
        scales, solved = likelihood(prepared, state, solved).greatest(scales), None
        state, solved = _stepped(prepared, state, scales, ROUNDS[-1])
    solved = None
    state, solved = _settled(prepared, state, scales)
    return readout.read(prepared, state, posterior(prepared, state, solved))


def _stepped(prepared, state, scales, rounds):
    for _ in range(rounds):
        solved = None
        state, solved = step(prepared, state, scales)
    return state, solved


def _settled(prepared, state, scales):
    """Return state and solution without what is not significant at the likeliest scales: flags, wobbles, slips."""
    state, solved = settle(prepared, state, scales)
    before = _n_found(state)
    state = slip_search.withdraw(prepared, shaft_search.withdraw(prepared, state, solved), solved)
    return (state, solved) if _n_found(state) == before else settle(prepared, state, scales)


def _n_found(state):
    return len(state.wobbles), len(state.slips)
