"""Read a solved fit: parts of every hit's lateness, the speed curve, strikers, pins, each with its error."""

import numpy as np
import pandas as pd

from pipeline.timing import strikes
from pipeline.timing.fitting import speed_curve, uncertainty
from pipeline.timing.fitting.step import Work
from pipeline.timing.fitting.uncertainty import Possible
from pipeline.timing.model import design, normal_equations

MUTE_S = 0.5 * design.EFFECT_SD_S  # error from which company and readiness are not told unless they are plain
PLAIN = 3.0  # standard errors: of a dozen strikers one lies two out by chance


def read(work: Work, best: Possible, possible: list[Possible]) -> dict:
    """Return the fields of `Fit` (but score, strikes and scales): the likeliest solution, with errors over all."""
    now, solved = best.scales, best.solved
    estimate, _ = work.pin_estimates(solved, best.covariance)
    variance = uncertainty.variance(possible, estimate, lambda one: work.pin_estimates(one.solved, one.covariance))
    variance = variance + work.answer_variance
    rest_s = solved.data.late_s - solved.fitted_s(work.layout)
    scatter_s = np.sqrt(normal_equations.hit_variance(solved.data, now))
    freak = (np.abs(rest_s) > strikes.FREAK_S) & (np.abs(rest_s) > 10 * scatter_s)
    estimate, variance, rest_s = _doubted(work, solved, estimate, variance, rest_s, freak)
    hits, start_s, pace = _hits(work, solved, estimate, rest_s, freak)
    grid, load_by_striker, load_mean_se = speed_curve.curve(work, best, possible, ~freak, pace)
    return {
        "hits": hits,
        "line_pace": pace,
        "line_start_s": start_s,
        "grid": grid,
        "load_by_striker": load_by_striker,
        "load_mean_se": load_mean_se,
        "pins": _pins(work, now, estimate, variance),
        "recovery_beats": work.recovery,
        "recovery_log_se": float(_border_se(best, possible, "recovery")[0]),
        "ready_s": work.ready_s,
        "scatter_s": now.jitter_s * work.scatter,
        **_strikers(work, best, possible),
    }


def _doubted(work, solved, estimate, variance, rest_s, freak):
    """Give a single outlying strike of a pin half to the pin and half to chance, with an error that holds both.

    One strike far out may be a misplaced pin or a slip of the striker; the fit has taken it for a slip. Where no
    second strike decides, neither is known.
    """
    lone = (work.pin_count[work.pin] == 1) & (work.pin_kind[work.pin] > 0) & ~freak
    lone &= (work.weight > 0) & (work.weight < 0.999 * work.full_weight)
    half_s = np.where(lone, rest_s / 2, 0.0)
    pin = work.pin[lone]
    half_at_pin_s = half_s[lone] / solved.data.pace[lone]
    estimate, variance = estimate.copy(), variance.copy()
    estimate[pin] += half_at_pin_s
    variance[pin] += half_at_pin_s**2
    return estimate, variance, rest_s - half_s


def _border_se(best, possible, name, basis=None):
    """Return the errors of the border's unknowns `name`, or of the combinations `basis` (n, m) of them."""
    place = best.solved.border.places[name]
    basis = np.eye(place.stop - place.start) if basis is None else basis

    def estimate_of(one):
        own = basis @ one.solved.solution.beta_covariance[place, place] @ basis.T
        return basis @ one.solved.solution.beta[place], np.maximum(np.diag(own), 0)

    return np.sqrt(uncertainty.variance(possible, estimate_of(best)[0], estimate_of))


def _strikers(work, best, possible):
    told = {}
    basis = design.contrasts(len(work.heard))
    # A single striker has nothing to be late against.
    several = work.heard if len(work.heard) > 1 else work.heard[:0]
    delay_se = _border_se(best, possible, "delay", basis)
    told["delay"] = _spread(work, several, (basis @ best.solved.beta("delay"))[: len(several)])
    told["delay_se"] = _spread(work, several, delay_se[: len(several)])
    for name, which in (("company", work.companions), ("readiness", work.readied), ("drag", work.loading)):
        told[name] = _spread(work, which, best.solved.beta(name))
        told[name + "_se"] = _spread(work, which, _border_se(best, possible, name))
    for name in ("company", "readiness"):
        # Where the strikes say next to nothing, what is left is the prior: 0, and as wide as that is.
        mute = (told[name + "_se"] > MUTE_S) & (np.abs(told[name]) < PLAIN * told[name + "_se"])
        told[name], told[name + "_se"] = (np.where(mute, np.nan, told[one]) for one in (name, name + "_se"))
    return told


def _spread(work, which, values):
    out = np.full(work.n_strikers, np.nan)
    out[which] = values
    return out


def _hits(work, solved, estimate, rest_s, freak):
    """Return the parts of every hit's lateness against the straight line of its line, and those lines."""
    line, along = work.line, work.along_s
    n_lines = work.strikes.n_lines
    both = np.tile(np.arange(n_lines), 2)
    ends = np.repeat([0.0, 1.0], n_lines)
    at = design.projected(work.hit_s, line, along, both, ends, ~freak)
    straight_s, pace = at[:n_lines], at[n_lines:] - at[:n_lines]
    late_s = work.hit_s - design.projected(work.hit_s, line, along, line, along, ~freak)
    load_s = design.stripped(work.load_s(solved), line, along, ~freak)
    striker_s = work.striker_s(solved)
    pin_s = estimate[work.pin] * solved.data.pace
    shaft_s = np.zeros(len(late_s))
    hits = work.hits.assign(
        along_late_s=late_s,
        motion_s=late_s - load_s - shaft_s - striker_s - pin_s - rest_s,
        load_s=load_s,
        shaft_s=shaft_s,
        striker_s=striker_s,
        pin_s=pin_s,
        rest_s=rest_s,
        company=work.company,
        gap_s=work.gap_s,
        freak=freak,
        weight=work.weight,
    )
    pace = np.where(pace > 0.05, pace, work.pace)
    return hits, work.strikes.begun_s + straight_s, pace


def _pins(work, now, estimate, variance):
    return pd.DataFrame(
        {
            "pin": work.pin_ids,
            "offset_s": estimate,
            "offset_se": np.where(np.isnan(variance), now.pin_sd_s, np.sqrt(np.maximum(np.nan_to_num(variance), 0))),
            "n_played": work.pin_count,
            "q_value": work.pin_q,
            "misplaced": work.loose,
        }
    )
