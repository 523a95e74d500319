"""Read a solved fit: parts of every hit's lateness, the speed curve, strikers, pins, each with its error."""

import numpy as np
import pandas as pd

from pipeline.timing.data import strikes
from pipeline.timing.fitting import hit_weights, lateness_parts, priors, remainders, shaft_search, shafts
from pipeline.timing.fitting.prepare import usable_pace
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.result import Fit
from pipeline.timing.fitting.speed_curve import speed_curve
from pipeline.timing.fitting.state import State
from pipeline.timing.fitting.uncertainty import Posterior
from pipeline.timing.model import design, straight_lines
from pipeline.timing.model.linear_load import RECOVERY

# Error above which an effect is told only if it is plain: the rest is prior; free: 0.
LARGE_SE_S = 0.5 * priors.EFFECT_SD_S
PLAIN_Z = 3.0  # standard errors: of a dozen strikers one lies two out by chance; free: 0
LESS_WEIGHT = 0.999  # of its full weight, below which a strike lies out by OUTLYING_Z or more: 1 but for rounding


def read(prepared: Prepared, state: State, posterior: Posterior) -> Fit:
    """Return the likeliest solution, with errors over all that are possible."""
    solved = posterior.likeliest
    least_wobble_s = shaft_search.least_s(prepared, state, solved)
    residuals = lateness_parts.residuals(prepared, solved)
    freak = hit_weights.is_freak(residuals.rest_s, residuals.scatter_s, strikes.FREAK_S)
    pin_s, pin_variance = posterior.mean_and_variance(lambda one: lateness_parts.pin_estimates(prepared, one))
    likeliest = lateness_parts.pin_estimates(prepared, solved)
    pin_variance = pin_variance + state.company_variance
    half_s = _half_of_lone_outliers(prepared, state, residuals.rest_s, freak)
    pin_s, pin_variance = _with_half(prepared, solved, half_s, pin_s, pin_variance)
    hits, start_s, pace = _hits(prepared, state, solved, pin_s, residuals.rest_s - half_s, freak)
    curve = speed_curve(prepared, state, posterior, ~freak, pace)
    delay, delay_se = _delays(prepared, posterior)
    strikers = prepared.strikers
    company, company_se = _told(*_effect(prepared, posterior, "company", strikers.companions))
    readiness, readiness_se = _told(*_effect(prepared, posterior, "readiness", strikers.readied))
    drag, drag_se = _effect(prepared, posterior, "drag", strikers.loading)
    by_pace, by_pace_se = remainders.delay_by_pace(prepared, solved)
    wobbles = _shafts(state, solved)
    return Fit(
        score=prepared.score,
        strikes=prepared.strikes,
        hits=hits,
        line_pace=pace,
        line_start_s=start_s,
        grid=curve.grid,
        delay=delay,
        delay_se=delay_se,
        delay_by_pace=by_pace,
        delay_by_pace_se=by_pace_se,
        company=company,
        company_se=company_se,
        readiness=readiness,
        readiness_se=readiness_se,
        drag=drag,
        drag_se=drag_se,
        load_by_striker=curve.load_by_striker,
        load_mean_se=curve.load_mean_se,
        load_doubt_s=_load_doubt_s(prepared, posterior, ~freak),
        pins=_pins(prepared, state, solved.scales, (pin_s, pin_variance), likeliest),
        shafts=wobbles.reset_index(drop=True),
        wobble_s=_wobble_s(prepared, state, solved, ~freak)[:, wobbles.index],
        slips=_slips(prepared, state, posterior),
        shafts_sought=prepared.shafts is not None and len(prepared.shafts.eligible) > 0,
        least_wobble_s=least_wobble_s,
        remainders=remainders.found(prepared, solved, hits, drag, (delay, delay_se, by_pace, by_pace_se)),
        recovery_beats=state.recovery_beats,
        recovery_log_se=float(_of_border(posterior, "recovery")[1][0]),
        ready_s=state.ready_s,
        scatter_s=solved.scales.jitter_s * state.scatter,
        scales=solved.scales,
    )


def _half_of_lone_outliers(prepared, state, rest_s, freak):
    """Return half of what is left of each outlying strike that is the only one of its pin; 0 for the others.

    It may come of a misplaced pin or of a slip of the striker. The fit takes it for a slip; no second strike decides.
    """
    hits, pins = prepared.hits, prepared.pins
    lone = (pins.n_played[hits.pin] == 1) & pins.has_place[hits.pin] & ~freak
    lone &= (state.weight > 0) & (state.weight < LESS_WEIGHT * hits.full_weight)
    return np.where(lone, rest_s / 2, 0.0)


def _with_half(prepared, solved, half_s, pin_s, pin_variance):
    """Give that half to the pin, with a variance that holds both."""
    lone = half_s != 0
    pin, at_pin_s = prepared.hits.pin[lone], half_s[lone] / solved.data.relative_pace[lone]
    pin_s, pin_variance = pin_s.copy(), pin_variance.copy()
    pin_s[pin] += at_pin_s
    pin_variance[pin] += at_pin_s**2
    return pin_s, pin_variance


def _of_border(posterior, name, basis=None):
    """Return estimates and errors of the border's unknowns `name`, or of the combinations `basis` (n, m) of them."""
    place = posterior.likeliest.border.places[name]
    basis = np.eye(place.stop - place.start) if basis is None else basis
    estimate, variance = posterior.mean_and_variance(lambda one: one.in_border(place, basis))
    return estimate, np.sqrt(variance)


def _delays(prepared, posterior):
    """Return the delays and their errors; a single striker has nothing to be late against."""
    heard = prepared.strikers.heard
    values = _of_border(posterior, "delay", design.contrasts(len(heard)))
    told = heard if len(heard) > 1 else heard[:0]
    return tuple(_spread(prepared, told, one[: len(told)]) for one in values)


def _effect(prepared, posterior, name, which):
    """Return an effect of each striker and its error, NaN but for the strikers `which`."""
    return tuple(_spread(prepared, which, one) for one in _of_border(posterior, name))


def _told(effect, se):
    """Return effect and error, NaN where the strikes say next to nothing: what is left is the prior, 0 and as wide."""
    mute = (se > LARGE_SE_S) & (np.abs(effect) < PLAIN_Z * se)
    return np.where(mute, np.nan, effect), np.where(mute, np.nan, se)


def _spread(prepared, which, values):
    out = np.full(prepared.strikers.n, np.nan)
    out[which] = values
    return out


def _hits(prepared, state, solved, pin_s, rest_s, freak):
    """Return the parts of every hit's lateness against the straight line of its line, and those lines."""
    hits, use = prepared.hits, ~freak
    line, along_s = hits.line, hits.along_s
    lines = np.arange(prepared.strikes.n_lines)
    start_s, pace = straight_lines.start_and_slope(hits.hit_s, line, along_s, lines, use)
    late_s = straight_lines.detrended(hits.hit_s, line, along_s, use)
    load_s = straight_lines.detrended(lateness_parts.load_s(prepared, solved), line, along_s, use)
    striker_s = lateness_parts.striker_s(prepared, state, solved)
    of_pin_s = pin_s[hits.pin] * solved.data.relative_pace
    shaft_s = straight_lines.detrended(lateness_parts.shaft_s(solved), line, along_s, use)
    frame = prepared.frame.assign(
        along_late_s=late_s,
        motion_s=late_s - load_s - shaft_s - striker_s - of_pin_s - rest_s,
        load_s=load_s,
        shaft_s=shaft_s,
        striker_s=striker_s,
        pin_s=of_pin_s,
        rest_s=rest_s,
        company=state.company,
        gap_s=hits.gap_s,
        freak=freak,
        weight=state.weight,
    )
    return frame, prepared.strikes.begun_s + start_s, usable_pace(pace, prepared.lines.pace)


def _load_doubt_s(prepared, posterior, use):
    """Return the field `load_doubt_s` of `Fit`: the square root of the covariance of drags and τ, as lateness."""
    likeliest, hits = posterior.likeliest, prepared.hits
    place = np.r_[likeliest.border.places["drag"], likeliest.border.places["recovery"]]
    covariance = np.zeros((len(place), len(place)))
    for share, solved in posterior.possible:
        away = solved.solution.beta[place] - likeliest.solution.beta[place]
        own = solved.solution.beta_covariance[np.ix_(place, place)]
        covariance += share * (own + np.outer(away, away))
    size, direction = np.linalg.eigh(covariance)
    columns = likeliest.load.columns[:, np.r_[prepared.strikers.loading, RECOVERY]]
    doubt_s = columns @ (direction * np.sqrt(np.maximum(size, 0.0)))
    return straight_lines.detrended(doubt_s, hits.line, hits.along_s, use)


def _shafts(state, solved):
    """Return the wobbles, the largest first; the index is their place in `state.wobbles`."""
    places = shafts.places_of(state.wobbles, solved.border.places["shaft"].start)
    rows = [_shaft(wobble, place, solved) for wobble, place in zip(state.wobbles, places, strict=True)]
    names = "shaft harmonic order creep creep_se amplitude_s amplitude_se phase_turn q_value".split()
    return pd.DataFrame(rows, columns=names).sort_values("amplitude_s", ascending=False)


def _wobble_s(prepared, state, solved, use):
    """Return what each wobble adds to each hit (constant and slope of each line apart), shape=(n_hits, n_wobbles)."""
    hits, found = prepared.hits, np.zeros((len(prepared.hits.line), len(state.wobbles)))
    places = shafts.places_of(state.wobbles, solved.border.places["shaft"].start)
    for number, place in enumerate(places):
        late_s = solved.border.matrix[:, place] @ solved.solution.beta[place]
        found[:, number] = straight_lines.detrended(late_s, hits.line, hits.along_s, use)
    return found


def _shaft(wobble, place, solved):
    candidate, order, creep, creep_se = wobble.candidate, wobble.common, np.nan, np.nan
    if shafts.creeps(wobble):
        off, creep_se = shafts.creep(wobble, place, solved)
        order = order * (1 + off)
        creep = order / candidate.order - 1
    if candidate.shaft is None:
        creep = creep_se = np.nan
    phase_turn = np.nan
    if candidate.holds_phase:
        sine, cosine = shafts.alone(wobble, place, solved)[0]
        phase_turn = np.arctan2(sine, cosine) / (2 * np.pi) % 1 / order
    size, size_se = shafts.amplitude(wobble, place, solved)
    return candidate.shaft, candidate.harmonic, order, creep, creep_se, size, size_se, phase_turn, wobble.q_value


def _slips(prepared, state, posterior):
    """Return the slips with their sizes; as for all else of a line, the place is that of a strike."""
    size_s, size_se = _of_border(posterior, "slip")
    frame = prepared.frame.assign(at_s=prepared.strikes.begun_s[prepared.hits.line] + prepared.hits.hit_s)
    rows = []
    for slip, size, se in zip(state.slips, size_s, size_se, strict=True):
        mine = frame[frame["line"] == slip.line]
        before = mine[mine["u_beat"] <= slip.before_u_beat].iloc[-1]
        after = mine[mine["u_beat"] >= slip.after_u_beat].iloc[0]
        where = after[["take", "line", "playthrough", "segment", "score_beat", "bar"]].tolist()
        rows.append([*where, before["at_s"], after["at_s"], size, se, slip.q_value])
    names = "take line playthrough segment score_beat bar before_s after_s size_s size_se q_value".split()
    return pd.DataFrame(rows, columns=names)


def _pins(prepared, state, scales, over_all, likeliest):
    pin_s, pin_variance = over_all
    return pd.DataFrame(
        {
            "pin": prepared.pins.ids,
            "offset_s": pin_s,
            "offset_se": _known_se(pin_variance, scales),
            "likeliest_s": likeliest[0],
            "likeliest_se": _known_se(likeliest[1], scales),
            "n_played": prepared.pins.n_played,
            "q_value": state.pin_q,
            "misplaced": state.flagged,
        }
    )


def _known_se(variance, scales):
    """Return the standard errors of pins; of those of which nothing is known, the spread of all."""
    known_se = np.sqrt(np.maximum(np.nan_to_num(variance), 0))
    return np.where(np.isnan(variance), scales.pin_sd_s, known_se)
