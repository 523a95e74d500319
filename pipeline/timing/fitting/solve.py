"""Write and solve the equations of one round."""

import numpy as np

from pipeline.timing.fitting.border import border_of
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.state import State
from pipeline.timing.model import bordered_solver, design, load, normal_equations
from pipeline.timing.model.linear_load import REMAINDER, LinearLoad, linear_load
from pipeline.timing.model.normal_equations import Data, Scales
from pipeline.timing.model.solution import Solved
from pipeline.timing.model.variance_components import Likelihood


def solve(prepared: Prepared, state: State, scales: Scales) -> Solved:
    """Linearise the model about the state and solve it for given scales.

    Raises
    ------
    numpy.linalg.LinAlgError
        Something cannot be told from the strikes and has no prior.
    """
    hits, lines = prepared.hits, prepared.lines
    law = load.Law(state.drag, state.start, state.recovery_beats, lines.beat_s, lines.first_u_beat)
    about = linear_load(prepared.strikes, law, hits.line, hits.u_beat, lines.last_u_beat)
    # What the linear terms do not hold: the load's remainder, and the company that the present drags make already.
    beside_s = about.detrended[:, REMAINDER] - state.company_by_drag @ state.drag
    return _solved(prepared, state, about, hits.late_s - beside_s, scales)


def solve_again(prepared: Prepared, state: State, last: Solved, scales: Scales) -> Solved:
    """Solve for other scales, the model linear about what it was linear about in the `last` solution.

    Raises
    ------
    numpy.linalg.LinAlgError
        As `solve`.
    """
    return _solved(prepared, state, last.load, last.data.late_s, scales)


def likelihood(prepared: Prepared, state: State, last: Solved) -> Likelihood:
    """Return the likelihood of the scales: of the hits of `Prepared.subset`, linear as in the `last` solution."""
    use = prepared.subset & (state.weight > 0)
    hits, pins = prepared.hits.taken(use), prepared.pins
    layout = design.layout_of(prepared.score, hits.track, hits.knot, hits.band_pin, len(pins.ids))
    data = _data(prepared, state, last.data.late_s, use)

    def border(scales):
        return border_of(prepared, state, last.load, scales.pin_sd_s, use)

    return Likelihood(layout, border, data, pins.tied, pins.testable.sum())


def _solved(prepared, state, about: LinearLoad, late_s, scales):
    border = border_of(prepared, state, about, scales.pin_sd_s)
    data = _data(prepared, state, late_s)
    normal = normal_equations.system(prepared.layout, border, data, scales)
    return Solved(scales, prepared.layout, border, data, normal, bordered_solver.solve(normal), about)


def _data(prepared, state, late_s, use=None):
    use = slice(None) if use is None else use
    return Data(
        late_s=late_s[use],
        hit_se=prepared.hits.hit_se[use],
        weight=state.weight[use],
        scatter=state.scatter[prepared.hits.striker[use]],
        relative_pace=state.relative_pace[use],
        flagged=state.flagged,
        beat_s=float(np.mean(prepared.lines.beat_s)),
    )
