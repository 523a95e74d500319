"""Write the model's normal equations for given scales, and their restricted likelihood."""

from dataclasses import dataclass, fields

import numpy as np
from scipy import sparse

from pipeline.timing.model import bordered_solver, motion
from pipeline.timing.model.design import Border, Layout

START_PRECISION = 1e-6  # a track starts anywhere: sd 1000 s; free: 0
# Which entries of a step's 4 × 4 precision of (f, v, f', v') lie at or below the diagonal.
_LOWER = [(i, j) for i in range(4) for j in range(i + 1)]


@dataclass(frozen=True)
class Scales:
    """What the restricted likelihood finds."""

    speed_sd: float  # standard deviation of the relative speed of the slow motion
    speed_beats: float  # its correlation length, nominal beats
    jitter_s: float  # scatter
    pin_sd_s: float  # of the pins that are not misplaced

    def logs(self) -> np.ndarray:
        return np.log([getattr(self, one.name) for one in fields(self)])

    @classmethod
    def of_logs(cls, logs) -> "Scales":
        return cls(*np.exp(logs).tolist())


@dataclass(frozen=True, eq=False)
class Data:
    """What the hits of a fit are.

    Parameters
    ----------
    late_s : np.ndarray, shape=(n_hits,)
        Hit less the preliminary line.
    hit_se, weight, scatter : np.ndarray, shape=(n_hits,)
        Error of the time; weight (all above 0); scatter of the striker over the common one.
    relative_pace : np.ndarray, shape=(n_hits,)
        Pace at the hit over the mean of all takes: a pin out of place costs more time where the machine is slower.
    flagged : np.ndarray of bool, shape=(n_pins,)
        Pins flagged as misplaced: they have no prior.
    beat_s : float
        Seconds per nominal beat, mean of the lines.
    """

    late_s: np.ndarray
    hit_se: np.ndarray
    weight: np.ndarray
    scatter: np.ndarray
    relative_pace: np.ndarray
    flagged: np.ndarray
    beat_s: float


def hit_variance(data: Data, scales: Scales) -> np.ndarray:
    """Return the variance of each hit about the model, weights apart."""
    return (scales.jitter_s * data.scatter) ** 2 + data.hit_se**2


def system(layout: Layout, border: Border, data: Data, scales: Scales) -> bordered_solver.System:
    """Return the normal equations."""
    certain = data.weight / hit_variance(data, scales)
    seen = seen_by(layout, data.relative_pace)
    weighted = border.matrix * certain[:, None]
    return bordered_solver.System(
        band=_band(layout, data, scales, certain),
        border=seen.T @ weighted,
        corner=border.matrix.T @ weighted + np.diag(border.precision),
        band_right=seen.T @ (certain * data.late_s),
        border_right=weighted.T @ data.late_s + border.pull,
    )


def _band(layout, data, scales, certain):
    """Return the lower band: the priors of motion and pins, and what the hits (of precision `certain`) add."""
    on_pin = layout.pin >= 0
    rate_sd = scales.speed_sd * data.beat_s
    step, _ = motion.precision(layout.step_beat, rate_sd, scales.speed_beats)
    ends = [layout.step_from, layout.step_from + 1, layout.step_to, layout.step_to + 1]
    held = layout.pin_place[_held(layout, data)]
    entries = [(ends[i], ends[j], step[:, i, j]) for i, j in _LOWER] + [
        (layout.first, layout.first, np.full(len(layout.first), START_PRECISION)),
        (layout.first + 1, layout.first + 1, np.full(len(layout.first), rate_sd**-2.0)),
        (held, held, np.full(len(held), scales.pin_sd_s**-2.0)),
        (layout.state, layout.state, certain),
        (layout.pin[on_pin], layout.pin[on_pin], (certain * data.relative_pace**2)[on_pin]),
        (layout.pin[on_pin], layout.state[on_pin], (certain * data.relative_pace)[on_pin]),
    ]
    one, other, value = (np.concatenate(each) for each in zip(*entries, strict=True))
    row, column = np.maximum(one, other), np.minimum(one, other)
    # LAPACK wants the band in Fortran's order: the offset from the diagonal runs fastest.
    band = np.bincount(column * (layout.width + 1) + row - column, value, (layout.width + 1) * layout.n)
    return band.reshape(layout.n, layout.width + 1).T


def _held(layout, data):
    """Return which pins lie in the band and have a prior."""
    return (layout.pin_place >= 0) & ~data.flagged


def seen_by(layout, pace):
    """Return which banded unknowns each hit sees, sparse, shape=(n_hits, n)."""
    n_hits = len(layout.state)
    on_pin = np.flatnonzero(layout.pin >= 0)
    hit = np.concatenate([np.arange(n_hits), on_pin])
    unknown = np.concatenate([layout.state, layout.pin[on_pin]])
    value = np.concatenate([np.ones(n_hits), pace[on_pin]])
    return sparse.csr_array((value, (hit, unknown)), shape=(n_hits, layout.n))


def minus_two_log_likelihood(layout, border, data, scales) -> float:
    """Return −2 × the log of the restricted likelihood, up to a constant (Patterson & Thompson 1971).

    With flat priors of starts, slopes, delays and flagged pins the integral over all unknowns is the restricted
    likelihood: Σ log variance − log|prior precision| + log|normal matrix| + weighted sum of squares.
    """
    solved = bordered_solver.solve(system(layout, border, data, scales))
    variance = hit_variance(data, scales)
    rate_sd = scales.speed_sd * data.beat_s
    _, log_step = motion.precision(layout.step_beat, rate_sd, scales.speed_beats)
    n_held = int(_held(layout, data).sum())
    prior = log_step.sum() - 2 * len(layout.first) * np.log(rate_sd) - 2 * n_held * np.log(scales.pin_sd_s)
    prior += float(np.log(border.precision[border.precision > 0]).sum())
    squares = float((data.weight / variance) @ data.late_s**2) - solved.fit
    return float(np.log(variance).sum() - prior + solved.log_determinant + squares)
