"""The lateness by load, linear about the present drags, starts and recovery (for Gauss-Newton steps)."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.timing.data.strikes import Strikes
from pipeline.timing.model import load, straight_lines

START, RECOVERY, REMAINDER = -3, -2, -1  # columns behind those of the drags
# Of log τ, for the central difference: its error goes with the square of the step, rounding with its inverse; free: 0.
LOG_STEP = 0.01


@dataclass(frozen=True, eq=False)
class LinearLoad:
    """The lateness by load at the hits of a fit.

    Parameters
    ----------
    law : load.Law
        What it is linear about.
    columns : np.ndarray, shape=(n_hits, n_strikers + 3)
        Of `columns_at`.
    detrended : np.ndarray, shape=(n_hits, n_strikers + 3)
        `columns` less their straight line on each line: constant and slope belong to the line's start and mean speed.
    """

    law: load.Law
    columns: np.ndarray
    detrended: np.ndarray


def linear_load(strikes: Strikes, law: load.Law, line, u_beat, until_u_beat) -> LinearLoad:
    """Return the lateness by load at hits; parameters as in `columns_at`."""
    columns = columns_at(strikes, law, line, u_beat, until_u_beat)
    return LinearLoad(law, columns, straight_lines.detrended(columns, line, u_beat))


def columns_at(strikes: Strikes, law: load.Law, line, u_beat, until_u_beat) -> np.ndarray:
    """Return the lateness by load at places, as the terms of a linear function.

    Parameters
    ----------
    law : load.Law
        What it is linear about.
    line : np.ndarray of int, shape=(n,)
    u_beat : np.ndarray, shape=(n,)
        The places, nominal beats.
    until_u_beat : np.ndarray, shape=(n_lines,)
        Where each line ends.

    Returns
    -------
    np.ndarray, shape=(n, n_strikers + 3)
        Seconds per unit of each drag; per unit of the line's start (`START`); per unit of log τ (`RECOVERY`); the
        remainder, in seconds, that is not linear in drags and starts (`REMAINDER`).
    """
    late = load.lateness(strikes, law, line, u_beat, until_u_beat)
    # Strikes alone tell the recovery: how a line starts has reasons of its own.
    alone = replace(law, start=np.zeros_like(law.start))
    more, less = (
        load.whole(
            strikes,
            replace(alone, recovery_beats=alone.recovery_beats * np.exp(step)),
            line,
            u_beat,
            until_u_beat,
        )
        for step in (LOG_STEP, -LOG_STEP)
    )
    by_log_recovery = (more - less) / (2 * LOG_STEP)
    return np.column_stack([late.by_drag_s, late.by_start_s, by_log_recovery, late.remainder_s(law, line)])
