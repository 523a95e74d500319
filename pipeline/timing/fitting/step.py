"""Go one round: solve the model about the state, and learn the next state from the solution."""

from dataclasses import replace

import numpy as np

from pipeline.timing.fitting import company, hit_weights, lateness_parts, misplaced_pins, shafts
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.solve import solve
from pipeline.timing.fitting.state import State
from pipeline.timing.model.normal_equations import Scales
from pipeline.timing.model.solution import Solved

MOST_LOG_CHANGE = 0.5  # of τ and ρ in one round: the model is linear about them no further; free: 0
READY_STEP = 0.7  # of the Gauss-Newton step of log ρ: a whole one swings where only one gap is written; free: 0.002
RECOVERY_RANGE = (0.5, 100.0)  # τ, nominal beats: ends of what any machine may have; free: 0
READY_RANGE_S = (0.02, 2.0)  # ρ: ends of what any lever may have; free: 0


def step(prepared: Prepared, state: State, scales: Scales) -> tuple[State, Solved]:
    """Return the next state, and the solution that it is learnt from.

    Raises
    ------
    numpy.linalg.LinAlgError
        Something cannot be told from the strikes and has no prior.
    """
    solved = solve(prepared, state, scales)
    residuals = lateness_parts.residuals(prepared, solved)
    state = _load_and_effects(prepared, state, solved)
    state = replace(state, relative_pace=lateness_parts.relative_pace(prepared, solved))
    state = misplaced_pins.flag(prepared, state, residuals, scales.pin_sd_s)
    state = company.find_company(prepared, state, residuals, solved)
    return hit_weights.weigh(prepared, state, residuals), solved


def _load_and_effects(prepared, state, solved):
    """Take over drags, starts, τ, readiness, ρ, the priors of the effects and the wobbles."""
    drag, readiness_s = np.zeros(prepared.strikers.n), np.zeros(prepared.strikers.n)
    drag[prepared.strikers.loading] = solved.beta("drag")
    readiness_s[prepared.strikers.readied] = solved.beta("readiness")
    log_recovery, log_ready = (
        float(np.clip(solved.beta(name)[0], -MOST_LOG_CHANGE, MOST_LOG_CHANGE)) for name in ("recovery", "fade")
    )
    return replace(
        state,
        drag=drag,
        start=solved.beta("start"),
        recovery_beats=float(np.clip(state.recovery_beats * np.exp(log_recovery), *RECOVERY_RANGE)),
        readiness_s=readiness_s,
        ready_s=float(np.clip(state.ready_s * np.exp(READY_STEP * log_ready), *READY_RANGE_S)),
        company_precision=solved.effect_precision("company", state.company_precision),
        readiness_precision=solved.effect_precision("readiness", state.readiness_precision),
        wobbles=shafts.learnt(prepared.shafts, state.wobbles, solved),
    )
