"""Hold what each round of the fit learns."""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.fitting import priors
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.shafts import Wobble
from pipeline.timing.fitting.slips import Slip


@dataclass(frozen=True, eq=False)
class State:
    """What the rounds have learnt so far: what the next one is linear about, and how it weighs hits and pins.

    Parameters
    ----------
    drag : np.ndarray, shape=(n_strikers,)
        Share of the speed that one strike takes.
    start : np.ndarray, shape=(n_lines,)
        Share of its speed by which each line starts slower.
    recovery_beats : float
        τ, nominal beats.
    readiness_s : np.ndarray, shape=(n_strikers,)
        Lateness of a strike that follows the last one of its striker at once.
    ready_s : float
        ρ, over which that fades.
    company_precision, readiness_precision : np.ndarray
        Prior precision (1/s²) of the effects of `Strikers.companions` and `Strikers.readied`.
    relative_pace : np.ndarray, shape=(n_hits,)
        Pace at each hit over the mean of all: a misplaced pin costs more time where the machine turns slower.
    weight : np.ndarray, shape=(n_hits,)
    scatter : np.ndarray, shape=(n_strikers,)
        Over the common one.
    flagged : np.ndarray of bool, shape=(n_pins,)
        Pins flagged as misplaced. They have no prior.
    n_withdrawn : np.ndarray of int, shape=(n_pins,)
        How often the flag of a pin was withdrawn.
    pin_q : np.ndarray, shape=(n_pins,)
        False discovery rate at which each pin would be flagged.
    company_variance : np.ndarray, shape=(n_pins,)
        What is added to the variance (s²) of a flagged pin because the company of its strikes is not known.
    shift_s : np.ndarray, shape=(n_rows,)
        By how much each row of the strikes comes later than written, because its pin is flagged.
    company : np.ndarray, shape=(n_hits,)
        Load of the strikes within ±15 ms, in mean strikes.
    company_by_drag : np.ndarray, shape=(n_hits, n_strikers)
        How the lateness by company answers to each drag, seconds.
    wobbles : tuple of Wobble
        Of the shafts that were found to be out of true.
    slips : tuple of Slip
        Places at which the barrel falls behind, or comes ahead, at once.
    """

    drag: np.ndarray
    start: np.ndarray
    recovery_beats: float
    readiness_s: np.ndarray
    ready_s: float
    company_precision: np.ndarray
    readiness_precision: np.ndarray
    relative_pace: np.ndarray
    weight: np.ndarray
    scatter: np.ndarray
    flagged: np.ndarray
    n_withdrawn: np.ndarray
    pin_q: np.ndarray
    company_variance: np.ndarray
    shift_s: np.ndarray
    company: np.ndarray
    company_by_drag: np.ndarray
    wobbles: tuple[Wobble, ...] = ()
    slips: tuple[Slip, ...] = ()


def first_state(prepared: Prepared) -> State:
    """Return the state before the first round: no load, no flag, every effect at the centre of its prior."""
    hits, pins, strikers, lines = prepared.hits, prepared.pins, prepared.strikers, prepared.lines
    n_hits, n_pins = len(hits.line), len(pins.ids)
    pace = lines.pace[hits.line]
    return State(
        drag=np.zeros(strikers.n),
        start=np.zeros(len(lines.pace)),
        recovery_beats=priors.RECOVERY_BEATS,
        readiness_s=np.zeros(strikers.n),
        ready_s=priors.READY_S,
        company_precision=np.full(len(strikers.companions), priors.EFFECT_SD_S**-2),
        readiness_precision=np.full(len(strikers.readied), priors.EFFECT_SD_S**-2),
        relative_pace=pace / np.mean(pace),
        weight=hits.first_weight,
        scatter=np.ones(strikers.n),
        flagged=np.zeros(n_pins, dtype=bool),
        n_withdrawn=np.zeros(n_pins, dtype=int),
        pin_q=np.ones(n_pins),
        company_variance=np.zeros(n_pins),
        shift_s=np.zeros(len(pins.of_row)),
        company=hits.first_company,
        company_by_drag=np.zeros((n_hits, strikers.n)),
    )
