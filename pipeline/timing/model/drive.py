"""Estimate from the speed how it comes back: by the drive's own balance, and by a crew that corrects its distance.

The barrel is one inertia I. With x the lateness of its place, f the uneven torque and the strikes,

    x'' + x'/τ + k x = f / I,     τ = I / resistance,     k = pull / I,

u in nominal beats. `resistance` is by how much torque falls and friction grows with the speed; `pull` is the torque
per second of lateness by which people correct to a click, or to the tempo that they remember (0: they do not). Without
the strikes, f is an Ornstein-Uhlenbeck process of correlation length T. The strikes are known: the fit tells the loss
of speed by a recovery of its own and no pull; here it is turned into the loss by τ and k.

What remains of the speed has the spectral density

    S(ω) = σ² / (1 + ω² T²) × ω² / ((k − ω²)² + ω²/τ²),

and τ, k, T and the load's scale are the likeliest by the tapered periodogram (Whittle 1953, Ark. Mat. 2, 423; the
taper: Dahlhaus 1988, Ann. Stat. 16, 808; from memory), under weak priors on their logarithms. Above the highest
frequency the fit's own smoothing, not the machine, makes the spectrum, so it is left out.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, signal

HIGHEST = 0.25  # cycles a beat; fewer where strikes are further apart: half of what they can show; double: 0.03
LOWEST_BIN = 2  # of the taper's spectrum that the mean does not reach
SHORTEST = 32  # half beats of a line from which on it is used
FIRST_BEATS = 1.0  # of a line, whose mean speed is the one that it begins with; double: 0.01 of what is foreseen
FEWEST_BINS = 12  # over all lines; below that nothing is told
# Neighbours in a Hann-tapered spectrum are correlated: their joint information is this share of independent ones'
# (1 / Σ ρ², ρ = 1, 2/3, 1/6 on each side: 1 / 1.94; from memory).
INFORMATION = 0.515
# Weak priors: middles and standard deviations of the logarithms. Half or double moves what is foreseen at 4 times the
# inertia by 0.015 at most, its error by 0.11 of itself (a machine of the simulated workshop, one of the model's own).
LENGTH, LENGTH_LOG_SD = 2.0, 1.0  # T, beats: people push unevenly over a stroke or some
PULL, PULL_LOG_SD = 0.02, 2.0  # k, 1/beat²: corrected within some beats, or not at all
SCALE_LOG_SD = 0.3  # of the load: the fit has told it
RECOVERY_LOG_SD = 0.5  # of τ about the fit's own recovery, which takes no pull into account
START = np.array([np.log(LENGTH), 0.0, 0.0, np.log(PULL)])  # T, τ over its prior, scale, k
FIRST_STEPS = np.vstack([np.zeros(4), np.diag([0.5, -0.3, 0.1, -1.0])])  # of the search
CURVATURE_STEP = 0.05  # of the logarithms; double changes an error by 0.02 of itself
SEARCH = {"maxiter": 800, "xatol": 1e-3, "fatol": 1e-3, "initial_simplex": START + FIRST_STEPS}


@dataclass(frozen=True, eq=False)
class Course:
    """The speed of one line at half beats, as shares of its mean.

    Parameters
    ----------
    u_beat : np.ndarray, shape=(n,), evenly spaced
    motion, load : np.ndarray, shape=(n,)
        Parts of the speed by the crew and by the strikes, as the fit told them apart.
    """

    u_beat: np.ndarray
    motion: np.ndarray
    load: np.ndarray


@dataclass(frozen=True, eq=False)
class Drive:
    """How speed comes back.

    Parameters
    ----------
    recovery_beats : float
        τ.
    pull : float
        k, 1/beat².
    scale : float
        Load over what the fit says of it.
    fitted_recovery_beats : float
        Recovery by which the fit told the load.
    begun : float
        Share of the mean speed by which the lines begin faster, as far as they have it in common.
    log_covariance : np.ndarray, shape=(3, 3)
        Of the logarithms of τ, k and the scale.
    """

    recovery_beats: float
    pull: float
    scale: float
    fitted_recovery_beats: float
    begun: float
    log_covariance: np.ndarray

    def doubted(self) -> list["Drive"]:
        """Return one standard error to both sides in three independent directions: pairs, one after the other."""
        size, axes = np.linalg.eigh(self.log_covariance)
        moves = (axes * np.sqrt(np.maximum(size, 0.0))).T
        return [self._moved(side * move) for move in moves for side in (1, -1)]

    def _moved(self, logs):
        recovery, pull, scale = np.exp(logs)
        return replace(
            self,
            recovery_beats=self.recovery_beats * recovery,
            pull=self.pull * pull,
            scale=self.scale * scale,
        )

    def load(self, course: Course, ratio: float = 1.0) -> np.ndarray:
        """Return the part of the speed by the strikes when the crew corrects as it does, shape=(n,).

        `ratio`: on so many times the inertia. The fit's law lets every line begin unloaded. It is given back what the
        lines' beginnings do not show.
        """
        first, step = course.load[0], course.u_beat[1] - course.u_beat[0]
        begun = float(np.clip(self.begun, min(0.0, first), max(0.0, first)))
        fades = (first - begun) * np.exp(-(course.u_beat - course.u_beat[0]) / self.fitted_recovery_beats)
        push, held = (1.0, 1 / self.fitted_recovery_beats, 0.0), (1 / self.recovery_beats, self.pull)
        load = filtered(push, (1.0, *held), course.load - fades, step)
        if ratio != 1.0:
            load = load + filtered((1 - ratio, 0.0, 0.0), (ratio, *held), load - begun, step)
        return self.scale * load


def drive_of(courses: list[Course], recovery_beats: float, recovery_log_se: float, gap_beats: float) -> Drive | None:
    """Return how speed comes back; None where the lines are too short to tell.

    Parameters
    ----------
    courses : list of Course
        One of each line.
    recovery_beats, recovery_log_se : float
        What the fit says of the recovery, and the standard error of its logarithm.
    gap_beats : float
        Beats from one struck place to the next (median): more often than that nothing is known of the speed.
    """
    pieces = [_Piece.of(course, gap_beats) for course in courses if len(course.u_beat) >= SHORTEST]
    if sum(len(piece.omega) for piece in pieces) < FEWEST_BINS:
        return None
    begun = _begun(courses)
    prior_sd = np.array([LENGTH_LOG_SD, np.hypot(recovery_log_se, RECOVERY_LOG_SD), SCALE_LOG_SD, PULL_LOG_SD])

    def cost(logs):
        of = _drive(logs, recovery_beats, begun, np.zeros((3, 3)))
        return _misfit(pieces, of, np.exp(logs[0])) + (((logs - START) / prior_sd) ** 2).sum() / 2

    logs = optimize.minimize(cost, START, method="Nelder-Mead", options=SEARCH).x
    return _drive(logs, recovery_beats, begun, _covariance(cost, logs, prior_sd)[1:, 1:])


def _begun(courses) -> float:
    """Return the mean over lines of the speed of their first beats, drawn to 0 as far as chance explains it.

    Drawn by the share 1 − se²/mean², at least 0, as James & Stein (1961) draw several means (from memory).
    """
    use = [course for course in courses if len(course.u_beat) >= SHORTEST]
    first = np.array([(one.motion + one.load)[one.u_beat < one.u_beat[0] + FIRST_BEATS].mean() for one in use])
    spread = first.std(ddof=1) if len(first) > 1 else np.std(use[0].motion)
    mean, se = first.mean(), spread / np.sqrt(len(first))
    return float(mean * max(0.0, 1 - se**2 / mean**2)) if mean else 0.0


def _drive(logs, recovery_beats, begun, covariance) -> Drive:
    """Return the drive of the logarithms of T, τ over its prior, scale and k."""
    order = [0, 2, 1]  # the covariance is of τ, k, scale
    return Drive(
        recovery_beats=float(recovery_beats * np.exp(logs[1])),
        pull=float(np.exp(logs[3])),
        scale=float(np.exp(logs[2])),
        fitted_recovery_beats=float(recovery_beats),
        begun=begun,
        log_covariance=covariance[np.ix_(order, order)],
    )


@dataclass(frozen=True, eq=False)
class _Piece:
    """One line with its taper and the frequencies (rad/beat) that are used."""

    course: Course
    taper: np.ndarray
    keep: np.ndarray
    omega: np.ndarray

    @classmethod
    def of(cls, course, gap_beats):
        n, step = len(course.u_beat), course.u_beat[1] - course.u_beat[0]
        taper = signal.windows.hann(n, sym=False)
        omega = 2 * np.pi * np.fft.rfftfreq(n, step)
        highest = 2 * np.pi * HIGHEST / max(1.0, gap_beats)
        keep = (np.arange(len(omega)) >= LOWEST_BIN) & (omega <= highest)
        return cls(course, taper / np.sqrt((taper**2).sum() / step), keep, omega[keep])

    def power(self, drive):
        """Return the periodogram of the speed less the load."""
        rest = self.course.motion + self.course.load - drive.load(self.course)
        return np.abs(np.fft.rfft(self.taper * (rest - rest.mean()))[self.keep]) ** 2


def _misfit(pieces, drive, length):
    """Return minus the logarithm of Whittle's likelihood, at the likeliest σ²."""
    omega = np.concatenate([piece.omega for piece in pieces])
    power = np.concatenate([piece.power(drive) for piece in pieces])
    answer = omega**2 / ((drive.pull - omega**2) ** 2 + (omega / drive.recovery_beats) ** 2)
    density = answer / (1 + (omega * length) ** 2)
    sigma2 = np.mean(power / density)
    return INFORMATION * (np.log(density).sum() + len(omega) * np.log(sigma2))


def _covariance(cost, logs, prior_sd):
    """Return the inverse of the cost's second derivatives; along a direction in which it is flat, the prior's."""
    n, step = len(logs), CURVATURE_STEP * np.eye(len(logs))
    curvature = np.empty((n, n))
    for i in range(n):
        for j in range(i + 1):
            corners = [cost(logs + a * step[i] + b * step[j]) * a * b for a in (1, -1) for b in (1, -1)]
            curvature[i, j] = curvature[j, i] = sum(corners) / (4 * CURVATURE_STEP**2)
    size, axes = np.linalg.eigh(curvature)
    return (axes / np.maximum(size, prior_sd.max() ** -2)) @ axes.T


def filtered(numerator, denominator, values, step) -> np.ndarray:
    """Return evenly spaced `values` through (b₀s² + b₁s + b₂) / (a₀s² + a₁s + a₂), from rest.

    By the bilinear transform (Tustin 1947, J. IEE 94), which is right to (ω × step)²/12.

    Parameters
    ----------
    numerator, denominator : sequence of three floats
        b and a, per nominal beat.
    values : np.ndarray, shape=(n, ...)
    step : float
        Beats from one value to the next.
    """
    c = 2 / step
    terms = np.array([[c * c, c, 1.0], [-2 * c * c, 0.0, 2.0], [c * c, -c, 1.0]])
    b, a = terms @ np.asarray(numerator), terms @ np.asarray(denominator)
    return signal.lfilter(b / a[0], a / a[0], values, axis=0)
