"""Hold what is wrong with a machine, how its crew plays, and what then truly happened."""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa


@dataclass(frozen=True)
class ShaftFault:
    """A shaft out of true: the pins come late by amplitude × sin(2π (harmonic × order (1 + creep) turn + phase)).

    `phase_turn` None: it does not hold its phase, one is drawn per leg; creep is drawn per leg, N(0, creep_sd).
    """

    shaft: str
    turns: float  # per turn of the barrel
    amplitude_s: float
    harmonic: int = 1
    phase_turn: float | None = None
    creep_sd: float = 0.0


@dataclass(frozen=True, eq=False)
class Faults:
    """The hidden truth of a machine. Arrays are per striker, in the machine's order, or per pin (by pin_id)."""

    energy_j: np.ndarray  # that a strike takes
    delay_s: np.ndarray
    company_s: np.ndarray  # when others as heavy as a mean strike fire within 15 ms
    readiness_s: np.ndarray  # × exp(−gap / readiness_fade_s)
    jitter_s: np.ndarray  # standard deviation
    miss_rate: np.ndarray  # at random
    miss_gap_s: np.ndarray  # misses when its own last strike is nearer than this
    miss_company: np.ndarray  # rate of misses when others fire within 15 ms
    miss_speed: np.ndarray  # misses below this relative speed
    rebound_rate: np.ndarray
    double_rate: np.ndarray
    level_db: np.ndarray  # of a strike of velocity 127
    level_sd_db: np.ndarray
    pin_s: np.ndarray  # per pin: misplacement in seconds at the written tempo, positive late
    pin_miss: np.ndarray  # per pin: rate of misses
    shafts: tuple[ShaftFault, ...] = ()
    readiness_fade_s: float = 0.12
    jitter_df: float = np.inf  # degrees of freedom of Student's t; heavy tails when small
    strays_per_min: float = 0.0


@dataclass(frozen=True)
class Leg:
    """One uninterrupted run: from `first_bar` to the end of `last_bar` (None: the song's), `rounds` times round."""

    first_bar: int = 1
    last_bar: int | None = None
    rounds: int = 1
    pause_s: float = 0.0  # standstill before it


@dataclass(frozen=True)
class Stall:
    """The crew stops at the start of `bar` of the leg's first round, stands for `stand_s` and starts again."""

    bar: int
    stand_s: float = 1.0
    leg: int = 0


@dataclass(frozen=True)
class Slip:
    """The drive slips where the leg's first round comes to `bar` (2.25: a quarter of bar 2 is over).

    The barrel stands for `size_s` while all else turns on; a negative size throws it ahead by as much.
    """

    bar: float
    size_s: float
    leg: int = 0


@dataclass(frozen=True)
class Crew:
    """The people. Torques are newton metres at the barrel."""

    torque_nm: float  # mean, after dry friction
    resistance_nm_s: float  # what torque falls and friction grows per rad/s: sets the recovery
    wander_nm: float = 0.0  # standard deviation of slow changes
    wander_s: float = 1.0  # their correlation time
    stroke_nm: float = 0.0  # ripple of pedals or crank
    strokes_per_turn: float = 0.0  # of the barrel: 2 × the crank's turns for two pedals
    pull_nm_per_s: float = 0.0  # towards the click, per second of lateness
    click_bpm: float | None = None  # None: no click
    clicks_per_beat: int = 1
    legs: tuple[Leg, ...] = (Leg(),)
    stalls: tuple[Stall, ...] = ()
    slips: tuple[Slip, ...] = ()  # of the drive, as it runs under this crew


@dataclass(frozen=True, eq=False)
class Strikes:
    """One row per note that came past its striker; `strike_s` of a missed one is when it should have struck."""

    note_id: np.ndarray
    pin_id: np.ndarray
    playthrough: np.ndarray
    leg: np.ndarray  # from 1
    striker: np.ndarray  # name
    score_s: np.ndarray
    barrel_turn: np.ndarray  # unrolled over rounds
    missed: np.ndarray
    strike_s: np.ndarray
    clock_s: np.ndarray
    motion_s: np.ndarray
    load_s: np.ndarray
    shaft_s: np.ndarray
    pin_s: np.ndarray
    delay_s: np.ndarray
    company_s: np.ndarray
    readiness_s: np.ndarray
    jitter_s: np.ndarray
    level_db: np.ndarray


@dataclass(frozen=True, eq=False)
class Extras:
    """Strikes that no note asked for; `kind`: rebound, double or stray; `note_id` −1 for a stray."""

    strike_s: np.ndarray
    striker: np.ndarray
    kind: np.ndarray
    note_id: np.ndarray
    playthrough: np.ndarray
    level_db: np.ndarray


@dataclass(frozen=True, eq=False)
class Curve:
    """The barrel at every millisecond: score position in seconds, relative speed, its part by load, held by a stall."""

    leg: np.ndarray
    time_s: np.ndarray
    score_s: np.ndarray  # unrolled over rounds
    turn: np.ndarray
    speed: np.ndarray
    load: np.ndarray
    held: np.ndarray


@dataclass(frozen=True, eq=False)
class Take:
    """What truly happened in one recording."""

    strikes: Strikes
    extras: Extras
    index_s: np.ndarray  # once a turn
    click_s: np.ndarray
    curve: Curve
    tempo: pa.Table  # playthrough, leg, score_beat (every half beat), time_s, tempo_bpm, load
    drag: np.ndarray  # per striker: share of the nominal speed that a strike takes
    recovery_beats: float
    shafts: (
        pa.Table
    )  # leg, shaft (or stroke, which is part of motion_s), harmonic, order, creep, amplitude_s, phase_turn
    length_s: float  # of the recording
