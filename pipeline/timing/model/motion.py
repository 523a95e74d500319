"""The slow motion as a Markov process: lateness is the integral of an Ornstein–Uhlenbeck process.

With f the lateness and v = df/du its rate per nominal beat,

    df = v du,     dv = −v/ℓ du + sqrt(2 σ²/ℓ) dW,

v is stationary with standard deviation σ and correlation length ℓ; f starts anywhere (a flat prior: it is the take's
own start). Over a step Δ the exact discretisation is (f, v) → F (f, v) + N(0, Q) (Gillespie 1996, Phys. Rev. E 54,
2084, eqs. 2.9-2.14, for the pair of an Ornstein–Uhlenbeck process and its integral; from memory).

A crew that follows a click is pulled towards it. This prior has no such pull: strikes come so much denser than the pull
acts that with it the speed is off by 0.1335 % instead of 0.1336 %, and 95 % intervals hold 94.2 instead of 95.2 %
(tests/benchmarks/timing_pull.py, seeds 101 to 108), although its likelihood ratio is significant.
"""

import numpy as np

# Δ/ℓ below which the differences of exponentials are replaced by their series: there the series is right to 6e-9 (the
# differences lose 2e-7 by rounding at 0.001).
SHORT = 0.02


def transition(step, length):
    """Return F of each step.

    Parameters
    ----------
    step : np.ndarray, shape=(n,)
        Δ > 0, nominal beats.
    length : float
        ℓ, nominal beats.

    Returns
    -------
    np.ndarray, shape=(n, 2, 2)
    """
    step = np.asarray(step, dtype=float)
    F = np.zeros((len(step), 2, 2))
    F[:, 0, 0] = 1
    F[:, 0, 1] = -length * np.expm1(-step / length)
    F[:, 1, 1] = np.exp(-step / length)
    return F


def noise(step, sd, length):
    """Return Q of each step.

    Parameters
    ----------
    step, length
        As in `transition`.
    sd : float
        σ, standard deviation of the rate, seconds per nominal beat.

    Returns
    -------
    np.ndarray, shape=(n, 2, 2)
    """
    r = np.asarray(step, dtype=float) / length
    decay = np.exp(-r)
    exact = 2 * r - 3 + 4 * decay - decay**2
    series = r**3 * (2 / 3 - r / 2 + r**2 * 7 / 30 - r**3 / 12)
    Q = np.empty((len(r), 2, 2))
    Q[:, 0, 0] = sd**2 * length**2 * np.where(r < SHORT, series, exact)
    Q[:, 0, 1] = Q[:, 1, 0] = sd**2 * length * np.expm1(-r) ** 2
    Q[:, 1, 1] = -(sd**2) * np.expm1(-2 * r)
    return Q


def precision(step, sd, length):
    """Return what each step adds to the precision of (f, v, f', v'), and log |Q⁻¹|; parameters as in `noise`.

    Returns
    -------
    precision : np.ndarray, shape=(n, 4, 4)
    log_determinant : np.ndarray, shape=(n,)
    """
    F, Q = transition(step, length), noise(step, sd, length)
    determinant = Q[:, 0, 0] * Q[:, 1, 1] - Q[:, 0, 1] ** 2
    inverse = np.empty_like(Q)
    inverse[:, 0, 0], inverse[:, 1, 1] = Q[:, 1, 1] / determinant, Q[:, 0, 0] / determinant
    inverse[:, 0, 1] = inverse[:, 1, 0] = -Q[:, 0, 1] / determinant
    lower = -inverse @ F
    whole = np.empty((len(F), 4, 4))
    whole[:, :2, :2] = np.swapaxes(F, 1, 2) @ inverse @ F
    whole[:, 2:, :2] = lower
    whole[:, :2, 2:] = np.swapaxes(lower, 1, 2)
    whole[:, 2:, 2:] = inverse
    return whole, -np.log(determinant)
