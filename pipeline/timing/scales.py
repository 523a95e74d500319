"""Find the scales of the model by restricted maximum likelihood.

Weak priors on their logarithms keep a short or poor recording from running off (and make its answer wide, not wild);
with some hundreds of hits they weigh nothing.
"""

import numpy as np
from scipy import optimize

from pipeline.timing import equations
from pipeline.timing.equations import Scales

USUAL = Scales(speed_sd=0.005, speed_beats=6.0, jitter_s=0.002, pin_sd_s=0.001)
USUAL_LOG_SD = np.array([1.5, 1.0, 1.0, 1.5])
RANGE = np.log([[1e-5, 0.5], [0.3, 200], [2e-5, 0.2], [1e-5, 0.05]])


def restricted(layout, border_of, data, start: Scales, tied: bool, rounds: int = 40) -> Scales:
    """Return the scales of greatest restricted likelihood.

    Parameters
    ----------
    border_of : callable
        From Scales to the Border, whose priors depend on them.
    tied : bool
        Every pin struck but once: its place and the scatter of its strike cannot be told apart, so each is given half
        of the variance.
    """

    def whole(free):
        logs = np.array(free, dtype=float)
        if tied:
            logs[3] = logs[2]
        return Scales.of_logs(logs)

    def cost(free):
        scales = whole(free)
        away = (scales.logs() - USUAL.logs()) / USUAL_LOG_SD
        try:
            fit = equations.minus_two_log_likelihood(layout, border_of(scales), data, scales)
        except np.linalg.LinAlgError:
            return 1e12
        return fit + float(away @ away)

    found = optimize.minimize(
        cost,
        np.clip(start.logs(), RANGE[:, 0], RANGE[:, 1]),
        method="L-BFGS-B",
        bounds=RANGE,
        options={"maxiter": rounds, "ftol": 1e-7, "gtol": 0.05, "eps": 1e-4},
    )
    return whole(found.x)
