"""Read a solved fit: parts of every hit's lateness, the speed curve, strikers, pins, each with its error."""

import numpy as np
import pandas as pd

from pipeline.timing import design, equations, load, strikes
from pipeline.timing.rounds import Covariance, Solved, Work
from pipeline.timing.score import GRID_BEAT


def read(work: Work, now: equations.Scales, solved: Solved) -> dict:
    """Return the fields of `Fit` (but score, strikes and scales)."""
    covariance = Covariance(solved, work.layout)
    estimate, variance = work.pin_estimates(solved, covariance)
    rest_s = work.late_s - solved.fitted_s(work.layout)
    scatter_s = np.sqrt(equations.hit_variance(solved.data, now))
    freak = (np.abs(rest_s) > strikes.FREAK_S) & (np.abs(rest_s) > 10 * scatter_s)
    estimate, variance, rest_s = _doubted(work, solved, estimate, variance, rest_s, freak)
    hits, start_s, pace = _hits(work, solved, estimate, rest_s, freak)
    grid, load_by_striker = _grid(work, now, solved, covariance, ~freak, start_s, pace)
    return {
        "hits": hits,
        "line_pace": pace,
        "line_start_s": start_s,
        "grid": grid,
        "load_by_striker": load_by_striker,
        "pins": _pins(work, now, estimate, variance),
        "recovery_beats": work.recovery,
        "recovery_log_se": _recovery_se(solved),
        "ready_s": work.ready_s,
        "scatter_s": now.jitter_s * work.scatter,
        **_strikers(work, solved),
    }


def _doubted(work, solved, estimate, variance, rest_s, freak):
    """Give a single outlying strike of a pin half to the pin and half to chance, with an error that holds both.

    One strike far out may be a misplaced pin or a slip of the striker; the fit has taken it for a slip. Where no
    second strike decides, neither is known.
    """
    lone = (work.pin_count[work.pin] == 1) & (work.pin_kind[work.pin] > 0) & ~freak
    lone &= (work.weight > 0) & (work.weight < 0.999 * work.first_weight)
    half_s = np.where(lone, rest_s / 2, 0.0)
    pin = work.pin[lone]
    half_at_pin_s = half_s[lone] / solved.data.pace[lone]
    estimate, variance = estimate.copy(), variance.copy()
    estimate[pin] += half_at_pin_s
    variance[pin] += half_at_pin_s**2
    return estimate, variance, rest_s - half_s


def _recovery_se(solved):
    at = solved.border.places["recovery"].start
    return float(np.sqrt(solved.solution.beta_covariance[at, at]))


def _strikers(work, solved):
    beta, covariance, places = solved.solution.beta, solved.solution.beta_covariance, solved.border.places
    told = {}
    basis = design.contrasts(len(work.heard))
    own = covariance[places["delay"], places["delay"]]
    # A single striker has nothing to be late against.
    several = work.heard if len(work.heard) > 1 else work.heard[:0]
    delay_se = np.sqrt(np.maximum(np.diag(basis @ own @ basis.T), 0))
    told["delay"] = _spread(work, several, (basis @ beta[places["delay"]])[: len(several)])
    told["delay_se"] = _spread(work, several, delay_se[: len(several)])
    for name, which in (("company", work.companions), ("readiness", work.readied), ("drag", work.loading)):
        told[name] = _spread(work, which, beta[places[name]])
        told[name + "_se"] = _spread(work, which, np.sqrt(np.diag(covariance[places[name], places[name]])))
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
    matrix, places, beta = solved.border.matrix, solved.border.places, solved.solution.beta
    parts = {name: matrix[:, place] @ beta[place] for name, place in places.items()}
    load_s = design.stripped(parts["drag"] + parts["recovery"], line, along, ~freak)
    striker_s = solved.striker_s()
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
    return hits, straight_s, pace


def _grid(work, now, solved, covariance, use, start_s, pace):
    """Return the machine's place and speed at the half beats of every track."""
    layout, score = work.layout, work.score
    tracks = work.hits.groupby("track").first()
    track = tracks.loc[layout.grid_track]
    line = track["line"].to_numpy()
    offset = (track["along_s"] - track["score_s"]).to_numpy() * score.beat_per_s
    u_beat = score.knot_u_beat[score.grid_knot[layout.grid]] + offset
    place, beta, places = layout.grid_state, solved.solution.beta, solved.border.places
    lines = np.unique(work.line)
    middle = np.array([work.u_beat[work.line == one].mean() for one in lines])
    order = np.searchsorted(lines, line)
    slope = beta[places["slope"]][order]
    # Mean rate by load over the half beat around each place, and its answer to drags and recovery.
    ahead = _load_columns(work, line, u_beat + GRID_BEAT / 2)
    behind = _load_columns(work, line, u_beat - GRID_BEAT / 2)
    rate_columns = (ahead - behind) / GRID_BEAT
    at_place = _load_columns(work, line, u_beat)
    drags = np.concatenate([beta[places["drag"]], beta[places["recovery"]]])
    of_load = np.r_[places["drag"], places["recovery"]]
    start = beta[places["start"]][order]
    started = design.start_column(u_beat, line, work.first_u_beat, work.solved_recovery, work.beat_s)
    start_rate = work.beat_s[line] * np.exp(-np.maximum(u_beat - work.first_u_beat[line], 0) / work.solved_recovery)
    start_rate = np.where(u_beat >= work.first_u_beat[line], start_rate, 0.0)
    load_rate = rate_columns @ drags
    motion_rate = solved.solution.x[place + 1] + slope + start * start_rate
    machine_beat_s = work.pace[line] / score.beat_per_s
    straight_beat_s = pace[line] / score.beat_per_s
    rate = machine_beat_s + motion_rate + load_rate
    loadless = design.projected(
        _hit_load(work, solved), work.line, work.u_beat, np.tile(lines, 2), np.repeat([0.0, 1.0], len(lines)), use
    )
    load_slope = (loadless[len(lines) :] - loadless[: len(lines)])[order]
    time_s = work.start_s[line] + machine_beat_s * u_beat + solved.solution.x[place]
    time_s = time_s + slope * (u_beat - middle[order]) + start * started + at_place @ drags
    answer = np.zeros((len(place), len(beta)))
    answer[np.arange(len(place)), places["slope"].start + order] = 1
    answer[np.arange(len(place)), places["start"].start + order] = start_rate
    answer[:, of_load] = rate_columns
    # The mean over a half beat is known better than the speed at one point: less the variance of a Wiener path of
    # intensity 2σ²/ℓ about its mean over ±h, which is that intensity × h/6.
    within = 2 * now.speed_sd**2 / now.speed_beats * (GRID_BEAT / 2) / 6 * np.mean(work.beat_s) ** 2
    variance = covariance.variance(place + 1, answer)
    speed_se = np.sqrt(np.maximum(variance - within, variance / 2)) / straight_beat_s
    at = np.zeros((len(place), len(beta)))
    at[np.arange(len(place)), places["slope"].start + order] = u_beat - middle[order]
    at[np.arange(len(place)), places["start"].start + order] = started
    at[:, of_load] = at_place
    frame = pd.DataFrame(
        {
            "take": track["take"].to_numpy(),
            "line": line,
            "track": layout.grid_track,
            "playthrough": track["playthrough"].to_numpy(),
            "segment": track["segment"].to_numpy(),
            "place": layout.grid,
            "u_beat": u_beat,
            "time_s": time_s,
            "time_se": np.sqrt(covariance.variance(place, at)),
            "pace": rate * score.beat_per_s,
            "speed": straight_beat_s / rate - 1,
            "speed_se": speed_se,
            "motion": -(rate - straight_beat_s - (load_rate - load_slope)) / straight_beat_s,
            "load": -(load_rate - load_slope) / straight_beat_s,
            "shaft": np.zeros(len(place)),
        }
    )
    by_striker = np.zeros((len(place), work.n_strikers))
    n_loading = len(work.loading)
    by_striker[:, work.loading] = -rate_columns[:, :n_loading] * beta[places["drag"]] / straight_beat_s[:, None]
    for one in lines:
        on = line == one
        by_striker[on] -= by_striker[on].mean(axis=0) if on.any() else 0.0
    return frame, by_striker


def _hit_load(work, solved):
    places, beta = solved.border.places, solved.solution.beta
    both = np.r_[places["drag"], places["recovery"]]
    return solved.border.matrix[:, both] @ beta[both]


def _load_columns(work, line, u_beat):
    """Return the columns of drags and recovery at any place, stripped as those of the hits are."""

    def stripped(recovery):
        at_hits = load.lateness(work.strikes, recovery, work.line, work.u_beat, work.beat_s)
        raw = load.lateness(work.strikes, recovery, line, u_beat, work.beat_s)
        return raw - design.projected(at_hits, work.line, work.u_beat, line, u_beat)

    h = 0.01
    recovery = (stripped(work.solved_recovery * np.exp(h)) - stripped(work.solved_recovery * np.exp(-h))) / (2 * h)
    return np.column_stack([stripped(work.solved_recovery)[:, work.loading], recovery @ work.solved_drag])


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
