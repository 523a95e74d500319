"""Find the scales of the model by restricted maximum likelihood.

Weak priors on their logarithms keep the scales of a short or poor recording from running off to a bound; with some
hundreds of hits they weigh nothing. The prior of the pins' scatter is flat in its variance where there are pins enough:
the likeliest value by itself is often too small, and shrinks all pins to 0 with errors too small (Morris & Tang 2011,
Stat. Sci. 26, 271, adjustment for density maximisation; from memory).
"""

import numpy as np
from scipy import optimize

from pipeline.timing.model import normal_equations
from pipeline.timing.model.normal_equations import Scales

# Weak priors: centres, standard deviations of the logarithms (free: 0.04), and ends of what any machine and recording
# may have (free: 0.001).
USUAL = Scales(speed_sd=0.005, speed_beats=6.0, jitter_s=0.002, pin_sd_s=0.001)
USUAL_LOG_SD = np.array([1.5, 1.0, 1.0, 1.5])
RANGE = np.log([[1e-5, 0.5], [0.3, 200], [2e-5, 0.2], [1e-5, 0.05]])

FLAT_PRIOR_PINS = 8  # struck more than once, from which on the prior of their variance is flat; free: 0
SEARCH = {"maxiter": 40, "ftol": 1e-7, "gtol": 0.05, "eps": 1e-4}  # L-BFGS-B; a cost of .05 is no difference
NO_SOLUTION = 1e12  # cost of scales whose equations cannot be solved: above all others
CURVATURE_STEP = 0.1  # of the logarithms: half and double change a standard error by 0.4 % at most
FLATTEST = 1e-2  # curvature of the cost below which an axis counts as flat: an sd of 10 in the logarithm; free: 0
MOST_REACH = 4.0  # logarithm by which a scale is taken to be wrong at most: a factor of 55; free: 0
REACH_STEPS = 2  # secant steps of one distance: four change a standard error by 0.4 % at most, one by 1.8 %
REACH_FACTOR = (
    0.4,
    2.0,
)  # by which one of them changes the distance; 0.2 to 4: free: 0; 0.8 to 1: 2 %
LEAST_RISE = 1e-3  # of the rise that is looked for: keeps the first step finite; free: 0


class Likelihood:
    """The restricted likelihood of the scales, with their priors.

    Parameters
    ----------
    border_of : callable
        From Scales to the Border, whose priors depend on them.
    layout : Layout
    data : Data
    tied : bool
        Next to every pin is struck but once: its place and the scatter of its strike cannot be told apart, so each is
        given half of the variance.
    n_told : int
        Pins whose place and scatter can be told apart.
    """

    def __init__(self, layout, border_of, data, tied: bool, n_told: int):
        self.layout, self.border_of, self.data = layout, border_of, data
        self.tied, self.flat = tied, n_told >= FLAT_PRIOR_PINS

    def scales(self, logs) -> Scales:
        """Return the scales of given logarithms, shape=(4,), kept within RANGE and tied where they are."""
        logs = np.clip(np.array(logs, dtype=float), RANGE[:, 0], RANGE[:, 1])
        if self.tied:
            logs[3] = logs[2]
        return Scales.of_logs(logs)

    def cost(self, logs) -> float:
        """Return −2 × the logarithm of likelihood × priors, up to a constant, at logarithms of shape=(4,)."""
        scales = self.scales(logs)
        away = (scales.logs() - USUAL.logs()) / USUAL_LOG_SD
        try:
            fit = normal_equations.minus_two_log_likelihood(self.layout, self.border_of(scales), self.data, scales)
        except np.linalg.LinAlgError:
            return NO_SOLUTION
        # A density flat in σ² is one of σ² in the logarithm of σ.
        return fit + float(away @ away) - 2 * self.flat * np.log(scales.pin_sd_s**2)

    def greatest(self, start: Scales) -> Scales:
        """Return the scales of greatest likelihood."""
        found = optimize.minimize(
            self.cost,
            np.clip(start.logs(), RANGE[:, 0], RANGE[:, 1]),
            method="L-BFGS-B",
            bounds=RANGE,
            options=SEARCH,
        )
        return self.scales(found.x)

    def around(self, best: Scales) -> list[tuple[float, Scales]]:
        """Return shares (their sum is 1) and scales around the `best`: two on every axis of the curvature.

        All lie where the cost has risen by the number of axes: a cubature of the third degree, each side stretched by
        itself (sources in `fitting.uncertainty`).
        """
        middle = best.logs()
        n_free = len(middle) - self.tied
        size, axes = np.linalg.eigh(self._curvature(middle, n_free))
        length = np.zeros((n_free, 2))
        for axis in range(n_free):
            # cost = z² on the axis: a standard deviation is where it has risen by 1.
            usual = min(1 / np.sqrt(max(size[axis], FLATTEST)), MOST_REACH / np.sqrt(n_free))
            for side in (0, 1):
                length[axis, side] = self._reach(middle, (1 - 2 * side) * axes[:, axis], usual * np.sqrt(n_free))
        share = length / length.sum(axis=1, keepdims=True) / n_free
        found = []
        for axis in range(n_free):
            for side in (0, 1):
                logs = middle.copy()
                logs[:n_free] += (1 - 2 * side) * length[axis, side] * axes[:, axis]
                found.append((float(share[axis, side]), self.scales(logs)))
        return found

    def _curvature(self, middle, n_free):
        """Return half of the second derivatives of the cost."""
        steps = CURVATURE_STEP * np.eye(len(middle))[:n_free]
        here = self.cost(middle)
        more, less = (np.array([self.cost(middle + side * step) for step in steps]) for side in (1, -1))
        second = np.diag(more + less - 2 * here)
        for i in range(n_free):
            for j in range(i):
                both = self.cost(middle + steps[i] + steps[j])
                second[i, j] = second[j, i] = both - more[i] - more[j] + here
        return second / (2 * CURVATURE_STEP**2)

    def _reach(self, middle, axis, usual):
        """Return how far along an axis the cost rises by as much as there are axes, from the `usual` distance."""
        here, rise = self.cost(middle), len(axis)
        far = usual
        for _ in range(REACH_STEPS):
            logs = middle.copy()
            logs[: len(axis)] += far * axis
            risen = max(self.cost(logs) - here, LEAST_RISE * rise)
            far = float(np.clip(far * np.clip(np.sqrt(rise / risen), *REACH_FACTOR), 0.0, MOST_REACH))
        return far
