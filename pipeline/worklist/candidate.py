"""Hold what may become a job: how likely chance alone would bring it, what to do, what that wins."""

from dataclasses import dataclass

import numpy as np

from pipeline import words

CERTAIN = 0.95  # at most one job in twenty is chance; common practice
# Where the work is, which tells a builder what it costs.
AT_THE_BARREL, AT_THE_LEVER, NEW_PART, AT_THE_DRIVE = "at the barrel", "at the lever", "new part", "at the drive"
IN_THE_RECORDINGS = "in the recordings"  # what is to do at the machine is not known yet


@dataclass(frozen=True)
class Gain:
    """What a job wins: noticed faults a playthrough before less those after, and the 95 % interval of that."""

    noticed: float
    low: float
    high: float
    spread_s: float = 0.0  # felt spread
    missed: float = 0.0  # of the noticed: missed or double strikes


@dataclass(frozen=True)
class Job:
    """A line of the list, yet without its certainty.

    `places`: JSON, see the contract; None for no pin. `to_be_sure`: what to record next; None where nothing is to ask.
    """

    part: str
    where: str
    finding: str
    correction: str
    effort: str
    gain: Gain
    correction_mm: float | None = None
    places: str | None = None
    to_be_sure: str | None = None
    late_s: float = 0.0  # of a row that is late as a whole
    mends: str = ""  # see the contract
    after: float = np.inf  # the gain of the late row that is to be mended first: the own one is counted without it


@dataclass(frozen=True)
class Candidate:
    """What was tested: the q-value within its family, and the job that it is when it holds (None: no job).

    `pin_id`: of a pin, which makes one job with others of its kind.
    """

    q_value: float
    job: Job | None
    pin_id: int | None = None


def place(striker: str, bar: int, beat_in_bar: float) -> str:
    """Write where a pin is: `slate, bar 11 beat 3 1/3`."""
    return f"{striker}, {words.place(bar, beat_in_bar)}"


def times(number: float) -> str:
    """Write a number of faults a playthrough: `8.3`, `71`."""
    return f"{number:.0f}" if abs(number) >= 10 else f"{number:.1f}"


def move(what: str, move_mm: float | None, late_s: float) -> str:
    """Say by how much and where to: `move_mm` positive is forward, in the direction of rotation.

    Parameters
    ----------
    move_mm : float or None
        None where the barrel's diameter is not told: then the move is told in ms, by its sign in `late_s`.
    late_s : float
        The move as a time, positive forward.
    """
    way = "forward (in" if late_s > 0 else "backward (against"
    if move_mm is None:
        time = words.milliseconds(abs(late_s))
        return f"move {what} {way} the direction of rotation) by {time}; with the barrel's diameter told it would be mm"
    return f"move {what} {words.millimetres(abs(move_mm))} {way} the direction of rotation)"


def known(number) -> float | None:
    """Return a number, None for null or one without end."""
    return float(number) if number is not None and np.isfinite(number) else None
