"""Write the border of the equations, linear about the state: columns and priors of all that is not in the band."""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.fitting import priors, shafts, slips
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.state import State
from pipeline.timing.model import design
from pipeline.timing.model.linear_load import RECOVERY, START, LinearLoad

LARGEST_EXPONENT = 700.0  # derived: e^−700 is still a number, and an infinite gap would make 0 × ∞


@dataclass(frozen=True, eq=False)
class Part:
    """Some columns of the border: what one unit of each unknown adds to each hit, and its prior."""

    name: str
    columns: np.ndarray
    precision: np.ndarray
    prior_mean: float | np.ndarray = 0.0


def border_of(prepared: Prepared, state: State, load: LinearLoad, pin_sd_s: float, use=None) -> design.Border:
    """Return the border.

    Parameters
    ----------
    load : LinearLoad
        About the drags, starts and recovery of the last solution.
    pin_sd_s : float
        Prior standard deviation of the pins that are not flagged.
    use : np.ndarray of bool, shape=(n_hits,), optional
        Hits to write the columns for (default: all).
    """
    use = slice(None) if use is None else use
    hits, load_s = prepared.hits.taken(use), load.detrended[use]
    parts = [
        _slopes(hits),
        _delays(hits, prepared.strikers),
        _drags(prepared.strikers, load_s, state.company_by_drag[use]),
        _starts(hits, load.columns[use, START]),
        _recovery(state, load_s),
        _company(hits, prepared.strikers, state, use),
        *_readiness(hits, prepared.strikers, state),
        _wobbles(prepared, state, hits, use),
        _slips(state, hits),
        _pins(hits, prepared.pins, state, pin_sd_s, use),
    ]
    ends = np.cumsum([0] + [part.columns.shape[1] for part in parts])
    places = {part.name: slice(ends[i], ends[i + 1]) for i, part in enumerate(parts)}
    precision = np.concatenate([part.precision for part in parts])
    pull = np.concatenate([part.precision * part.prior_mean for part in parts])
    return design.Border(np.column_stack([part.columns for part in parts]), precision, pull, places)


def line_places(hits) -> tuple[np.ndarray, np.ndarray]:
    """Return the lines that have a hit, and the middle of the hits on each, nominal beats."""
    lines = np.unique(hits.line)
    return lines, np.array([hits.u_beat[hits.line == one].mean() for one in lines])


def _slopes(hits):
    """Return what each line's mean speed adds, s per (s per beat)."""
    lines, middle = line_places(hits)
    place = np.searchsorted(lines, hits.line)
    columns = np.zeros((len(hits.line), len(lines)))
    columns[np.arange(len(hits.line)), place] = hits.u_beat - middle[place]
    return Part("slope", columns, np.full(len(lines), priors.FLAT_PRECISION))


def _delays(hits, strikers):
    """Return the delays, whose sum is zero."""
    columns = (hits.striker[:, None] == strikers.heard) @ design.contrasts(len(strikers.heard))
    return Part("delay", columns, np.full(columns.shape[1], priors.FLAT_PRECISION))


def _drags(strikers, load_s, company_by_drag):
    """Return what a drag adds: by the load, and because heavier neighbours delay a striker in company more."""
    columns = (load_s[:, : strikers.n] + company_by_drag)[:, strikers.loading]
    return Part("drag", columns, np.full(len(strikers.loading), priors.DRAG_SD**-2))


def _starts(hits, load_s):
    """Return the start of each line: nobody heard what went on before its first strike."""
    lines = np.unique(hits.line)
    columns = np.where(np.searchsorted(lines, hits.line)[:, None] == np.arange(len(lines)), load_s[:, None], 0.0)
    return Part("start", columns, np.full(len(lines), priors.START_SD**-2))


def _recovery(state, load_s):
    """Return the change of log τ; the prior pulls towards its own centre."""
    pull = np.log(priors.RECOVERY_BEATS / state.recovery_beats)
    return Part("recovery", load_s[:, RECOVERY][:, None], np.full(1, priors.RECOVERY_LOG_SD**-2), pull)


def _company(hits, strikers, state, use):
    columns = (hits.striker[:, None] == strikers.companions) * state.company[use][:, None]
    return Part("company", columns, state.company_precision)


def _readiness(hits, strikers, state):
    """Return the effect R e^(−gap/ρ) of each striker, and the change of log ρ."""
    elapsed = np.minimum(hits.gap_s / state.ready_s, LARGEST_EXPONENT)
    fade = np.exp(-elapsed)
    columns = (hits.striker[:, None] == strikers.readied) * fade[:, None]
    by_log_ready = (state.readiness_s[hits.striker] * elapsed * fade)[:, None]
    pull = np.log(priors.READY_S / state.ready_s)
    return (
        Part("readiness", columns, state.readiness_precision),
        Part("fade", by_log_ready, np.full(1, priors.READY_LOG_SD**-2), pull),
    )


def _wobbles(prepared, state, hits, use):
    """Return the wobbles of the shafts that were found, each with its creep."""
    if not state.wobbles:
        return Part("shaft", np.zeros((len(hits.line), 0)), np.zeros(0))
    turn = prepared.shafts.turn[use]
    columns = [shafts.columns_and_creep(one, hits.line, turn) for one in state.wobbles]
    priors_of = [shafts.prior_of(one) for one in state.wobbles]
    precision, mean = (np.concatenate(each) for each in zip(*priors_of, strict=True))
    return Part("shaft", np.hstack(columns), precision, mean)


def _slips(state, hits):
    columns = slips.columns(state.slips, hits.line, hits.u_beat)
    return Part("slip", columns, np.full(len(state.slips), priors.FLAT_PRECISION))


def _pins(hits, pins, state, pin_sd_s, use):
    """Return the pins of a barrel that comes round."""
    columns = (hits.pin[:, None] == pins.border) * state.relative_pace[use][:, None]
    return Part("pin", columns, np.where(state.flagged[pins.border], 0.0, pin_sd_s**-2))
