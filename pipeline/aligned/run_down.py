"""Find where people let the machine go at the end of a take, and measure how it runs down.

In: the rows of `aligned`. Out: those rows without the run-down, and how long the machine would take to stop. Nobody
plays there: its lateness and its slow tempo are no faults, and would drown what the take tells. The law is that of dry
and viscous friction on one inertia: with v the speed over that before, dv/dt = −(dry + viscous v). The strikes on the
way take energy too, and are in it.
"""

from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import course

# Chosen. Crews wander by some percent, and a slow end is seldom played below half the tempo unless it is written so.
FAST, SLOW = 0.9, 0.6  # shares of the usual speed: last reached before it, and what it falls below
BEFORE_S = 8.0  # of steady playing before it that the fit sees
LEAST_BEFORE, LEAST_ONSETS = 12, 8  # onsets before it and in it
STEADY = 0.02  # of the way gone in it: the root mean square about the law; a jerky end is something else
BLOCKS = 8  # of the jackknife (Efron & Stein 1981): what strays in a run-down strays for several onsets in turn
LAW_SE = 0.05  # of a time to stop, beside the jackknife: strikes come in lumps (simulated: 5 % rms where they brake)
LEAST_SURE = 0.2  # a time to stop with a larger standard error, as a share of it, is not told


@dataclass(frozen=True)
class RunDown:
    """How a take runs down.

    Parameters
    ----------
    from_s : float
        Time in the recording at which it begins.
    share : float
        Speed at its last onset over that before it.
    stops_s, stops_se : float or None
        From the speed before it to standing still; None where the law does not tell.
    bar : int
        In which it begins; 0 where no arrangement says.
    """

    from_s: float
    share: float
    stops_s: float | None
    stops_se: float | None
    bar: int = 0


def cut(table: pa.Table, turnaround_s: float) -> tuple[pa.Table, RunDown | None]:
    """Return the table without the run-down at its end, if it has one, and that.

    Parameters
    ----------
    table : table of contract aligned
    turnaround_s : float
        Nominal time from the last onset to the first when the song goes round.

    Returns
    -------
    aligned : table of contract aligned
        Notes that were due later are outside; the hits are undecided.
    found : RunDown or None
    """
    notes = course.played(table)
    round_s = np.ptp(tables.numbers(table["score_s"].drop_null())) + turnaround_s if len(table) else 0.0
    found = find(*_last_stretch(*course.onsets(notes, round_s)))
    if found is None:
        return table, None
    first = int(np.searchsorted(notes.hit_s, found.from_s))
    begins = notes.playthrough[first], notes.score_s[first]
    made = course.apart(
        table,
        lambda row: row["hit_s"] >= found.from_s,
        lambda row: (row["playthrough"], row["score_s"]) >= begins,
    )
    return made, replace(found, bar=int(notes.bar[first]))


def sentence(found: RunDown) -> str:
    """Say from where on the take runs down, and what to look for if nobody let go."""
    return (
        f"run-down: from bar {found.bar} ({found.from_s:.1f} s) to the end the speed falls steadily to "
        f"{100 * found.share:.0f} % of what it was: left out, as if people had let go; if they had not, look for what "
        "holds the machine"
    )


def find(place_s: np.ndarray, time_s: np.ndarray) -> RunDown | None:
    """Return the run-down at the end of a take; None where it has none.

    Parameters
    ----------
    place_s, time_s : (n,) arrays
        Onsets of the last stretch played without a jump: place in the arrangement, and time; both increase.
    """
    if len(time_s) < LEAST_BEFORE + LEAST_ONSETS:
        return None
    speed = np.diff(place_s) / np.diff(time_s)
    usual = np.median(speed)
    calm = (speed[1:] + speed[:-1]) / 2  # two steps: one may be short
    if calm[-1] > SLOW * usual:
        return None
    fast = np.flatnonzero(calm > FAST * usual)
    if len(fast) == 0:
        return None
    last = fast[-1] + 1
    seen = np.arange(len(time_s)) > min(last - LEAST_BEFORE, np.searchsorted(time_s, time_s[last] - BEFORE_S))
    law = _fit(place_s[seen], time_s[seen], time_s[last])
    after = time_s[seen] > law[0]
    if after.sum() < LEAST_ONSETS or (time_s < law[0]).sum() < LEAST_BEFORE:
        return None
    strays = np.sqrt(np.mean(np.square(_place(law, time_s[seen]) - place_s[seen])[after]))
    share = _speed(law, time_s[-1]) / law[2]
    if strays > STEADY * (place_s[-1] - _place(law, law[:1])[0]) or share > SLOW:
        return None
    return RunDown(float(law[0]), float(max(share, 0.0)), *_stops(law, place_s[seen], time_s[seen]))


def _last_stretch(place_s: np.ndarray, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the onsets after the last that come in the order of the arrangement."""
    jumps = np.flatnonzero(np.diff(time_s) <= 0)
    start = jumps[-1] + 1 if len(jumps) else 0
    return place_s[start:], time_s[start:]


def _fit(place_s: np.ndarray, time_s: np.ndarray, guess_s: float) -> np.ndarray:
    """Return the law by least squares: when it begins, place and speed there, dry and viscous friction (1/s)."""
    from scipy.optimize import least_squares  # only for a take that slows down

    guess_s = np.clip(guess_s, time_s[1], time_s[-2])
    speed = (np.interp(guess_s, time_s, place_s) - place_s[0]) / (guess_s - time_s[0])
    guess = [guess_s, np.interp(guess_s, time_s, place_s), speed, 1 / (2 * (time_s[-1] - guess_s)), 0.01]
    bounds = ([time_s[0], -np.inf, 0, 0, 0], [time_s[-1], np.inf, np.inf, np.inf, np.inf])
    scale = [1.0, 1.0, 0.1, 0.1, 0.1]
    return least_squares(lambda law: _place(law, time_s) - place_s, guess, bounds=bounds, x_scale=scale).x


def _place(law: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    begins_s, place_s, speed, dry, viscous = law
    gone_s = np.maximum(time_s - begins_s, 0.0)
    standing_s = _standing_s(law)
    gone_s = np.minimum(gone_s, standing_s)
    small = viscous * gone_s < 1e-4
    rate = max(viscous, 1e-9)
    one = np.where(small, gone_s - viscous * gone_s**2 / 2, -np.expm1(-rate * gone_s) / rate)
    two = np.where(small, gone_s**2 / 2 - viscous * gone_s**3 / 6, (gone_s - one) / rate)
    return place_s + speed * (np.minimum(time_s - begins_s, 0.0) + one - dry * two)


def _speed(law: np.ndarray, time_s: float) -> float:
    gone_s = np.clip(time_s - law[0], 0.0, _standing_s(law))
    _, _, speed, dry, viscous = law
    rate = max(viscous, 1e-9)
    return speed * (1 - (dry + rate) * -np.expm1(-rate * gone_s) / rate)


def _standing_s(law: np.ndarray) -> float:
    """Return the time from full speed to standing still (s), infinite without dry friction."""
    dry, viscous = max(law[3], 1e-12), max(law[4], 1e-9)
    return float(np.log1p(viscous / dry) / viscous)


def _stops(law: np.ndarray, place_s: np.ndarray, time_s: np.ndarray) -> tuple[float | None, float | None]:
    """Return the time to stop and its standard error: a jackknife over blocks of onsets in turn."""
    stops_s = _standing_s(law)
    slow = time_s > law[0]
    block = np.where(slow, (np.cumsum(slow) - 1) * BLOCKS // slow.sum(), -1)
    without = [_standing_s(_fit(place_s[block != one], time_s[block != one], law[0])) for one in range(BLOCKS)]
    jackknife = (BLOCKS - 1) / BLOCKS * np.sum(np.square(np.array(without) - np.mean(without)))
    se = float(np.hypot(np.sqrt(jackknife), LAW_SE * stops_s))
    return (stops_s, se) if np.isfinite(se) and se < LEAST_SURE * stops_s else (None, None)
