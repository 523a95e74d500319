"""Find in what company each hit comes: how heavy the strikes within ±15 ms are."""

from dataclasses import replace

import numpy as np

from pipeline.timing.data import strikes
from pipeline.timing.fitting import pin_company
from pipeline.timing.fitting.lateness_parts import Residuals
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.state import State
from pipeline.timing.model.solution import Solved

# Standard errors that the mean drag must lie above 0 before strikers are told to differ in load; free: 0.
MEAN_DRAG_Z = 2.0
# Standard errors of a striker's effect from which the company of its misplaced pins is weighed; free: 0.
SURE_EFFECT_Z = 3.0


def find_company(prepared: Prepared, state: State, residuals: Residuals, solved: Solved) -> State:
    """Return the state with new company; a flagged pin comes where its estimate says, not where it is written."""
    hits, pins, strikers = prepared.hits, prepared.pins, prepared.strikers
    heavy, heavy_by_drag = heaviness(prepared, solved)
    weighed = _flagged_pins(prepared, state, residuals, solved, heavy)
    place_s, variance = np.where(state.flagged, residuals.pin_s, 0.0), np.zeros(len(pins.ids))
    for pin, found in weighed.items():
        place_s[pin], variance[pin] = found.place_s, found.variance
    shift_s = place_s[pins.of_row] * (pins.of_row >= 0)
    near = strikes.neighbours(prepared.strikes, shift_s)[prepared.strikes.rows["played"].to_numpy()]
    company = near @ heavy
    for pin, found in weighed.items():
        company[hits.pin == pin] = found.company
    effect_s = np.zeros(strikers.n)
    effect_s[strikers.companions] = solved.beta("company")
    company_by_drag = effect_s[hits.striker][:, None] * (near @ heavy_by_drag)
    return replace(state, shift_s=shift_s, company=company, company_by_drag=company_by_drag, company_variance=variance)


def heaviness(prepared: Prepared, solved: Solved) -> tuple[np.ndarray, np.ndarray]:
    """Return the load of each striker over that of the mean strike, shrunk towards 1 as far as it is not known.

    Returns
    -------
    heavy : np.ndarray, shape=(n_strikers,)
    by_drag : np.ndarray, shape=(n_strikers, n_strikers)
        Its change per unit of each drag. 0 where all are taken for equally heavy.
    """
    strikers, drag, variance = prepared.strikers, solved.beta("drag"), solved.beta_variance("drag")
    loading = strikers.loading
    heavy, by_drag = np.ones(strikers.n), np.zeros((strikers.n, strikers.n))
    share = strikers.n_struck[loading] / max(strikers.n_struck[loading].sum(), 1)
    mean = float(share @ drag)
    if len(drag) == 0 or mean <= MEAN_DRAG_Z * np.sqrt(variance.mean() / len(drag)):
        return heavy, by_drag
    between = max(float(np.mean((drag - mean) ** 2 - variance)), 0.0)
    known = between / (between + variance)
    shrunk = 1 + known * (drag - mean) / mean
    heavy[loading] = np.clip(shrunk, 0.0, None)
    slope = np.diag(known / mean) - np.multiply.outer(known * drag / mean**2, share)
    by_drag[np.ix_(loading, loading)] = np.where(shrunk[:, None] > 0, slope, 0.0)
    return heavy, by_drag


def _flagged_pins(prepared, state, residuals, solved, heavy) -> dict[int, pin_company.PinCompany]:
    """Return the company of the strikes of each flagged pin whose striker is surely delayed by company."""
    hits, companions = prepared.hits, prepared.strikers.companions
    effect_s = solved.beta("company")
    sure = np.abs(effect_s) > SURE_EFFECT_Z * np.sqrt(solved.beta_variance("company"))
    effect_s = dict(zip(companions[sure], effect_s[sure], strict=True))
    pins = [pin for pin in np.flatnonzero(state.flagged) if prepared.pins.striker[pin] in effect_s]
    if not pins:
        return {}
    every = _every_strike(prepared, state, heavy)
    row_of_hit, found = np.flatnonzero(prepared.strikes.rows["played"].to_numpy()), {}
    for pin in pins:
        hit = np.flatnonzero(hits.pin == pin)
        weight = state.weight[hit]
        if not (weight > 0).any():
            continue
        own_s = effect_s[prepared.pins.striker[pin]]
        of_pin = pin_company.PinStrikes(
            late_s=residuals.partial_s[hit] + own_s * state.company[hit],
            variance=np.divide(residuals.scatter_s[hit] ** 2, weight, np.full(len(hit), np.inf), where=weight > 0),
            relative_pace=state.relative_pace[hit],
            neighbours=pin_company.neighbours_of(every, row_of_hit[hit], hits.along_s[hit]),
        )
        found[pin] = pin_company.weigh_places(of_pin, own_s, solved.scales.pin_sd_s)
    return found


def _every_strike(prepared, state, heavy):
    rows = prepared.strikes.rows
    return pin_company.EveryStrike(
        line=rows["line"].to_numpy(),
        place_s=rows["along_s"].to_numpy() + state.shift_s,
        load=np.where(rows["fires"], heavy[rows["striker"]], 0.0),
    )
