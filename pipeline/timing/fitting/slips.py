"""Hold the slips: places at which the barrel falls behind at once, as when a belt jumps or a freewheel catches late.

From one strike of a line to the next, all later ones come later by a step. Where between the two it lies nobody hears.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Slip:
    """A slip in the model.

    Parameters
    ----------
    line : int
    before_u_beat, after_u_beat : float
        The strikes between which it lies, nominal beats.
    q_value : float
        Chance of so large a step anywhere in the group.
    common : int or None
        Number of the place that it shares with a slip of every other line (`common_slips`); None: this line's alone.
    """

    line: int
    before_u_beat: float
    after_u_beat: float
    q_value: float
    common: int | None = None


def columns(slips: tuple[Slip, ...], line, u_beat) -> np.ndarray:
    """Return how probably each slip has happened at places: 0 before it, 1 after it, rising evenly between the strikes.

    Parameters
    ----------
    line : np.ndarray of int, shape=(n,)
    u_beat : np.ndarray, shape=(n,)

    Returns
    -------
    np.ndarray, shape=(n, n_slips)
    """
    out = np.zeros((len(line), len(slips)))
    for number, slip in enumerate(slips):
        gone = (u_beat - slip.before_u_beat) / (slip.after_u_beat - slip.before_u_beat)
        out[:, number] = np.where(line == slip.line, np.clip(gone, 0.0, 1.0), 0.0)
    return out
