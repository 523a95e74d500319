"""Turn notes, hidden faults and a crew into strikes with known truth (no audio here).

A strike happens when the barrel, shafts out of true included, reaches its pin, misplacement included; then follow the
striker's delay, its company and readiness, and scatter. Every strike's time is the sum of its parts:

    strike_s = clock_s + motion_s + load_s + shaft_s + pin_s + delay_s + company_s + readiness_s + jitter_s
"""

from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from demo import drive
from pipeline.settings import Flywheel, Machine

BARREL_INERTIA_KG_M2 = 3.0  # of the barrel itself
UNTOLD_INERTIA_KG_M2 = 80.0  # at the barrel, of a machine whose flywheel is not told
UNTOLD_TURN_S = 20.0  # of a barrel whose bars_per_turn are not told
MISS_GAP_SPREAD = 0.05  # from strike to strike, of the gap below which a striker misses
COMPANY_S = 0.015  # strikes nearer than this load each other
REBOUND_S = (0.012, 0.060)
REBOUND_DB = (-20.0, -8.0)
DOUBLE_S = (0.060, 0.160)
SLACK = 3.0  # a leg that takes longer than this × its written time is cut off


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
    shafts: pa.Table  # leg, shaft, harmonic, order, creep, amplitude_s, phase_turn
    length_s: float  # of the recording


def inertia_at_barrel_kg_m2(machine: Machine) -> float:
    """Return barrel and flywheel as one inertia at the barrel: I + I_wheel × ratio²."""
    if machine.flywheel is None:
        return UNTOLD_INERTIA_KG_M2
    ratio = next((shaft.turns for shaft in machine.shafts if shaft.name == "flywheel"), 1.0)
    return BARREL_INERTIA_KG_M2 + _wheel_inertia_kg_m2(machine.flywheel) * ratio**2


def nominal_rad_per_s(notes: pa.Table) -> float:
    """Return the angular speed of the barrel at the written tempo."""
    return 2 * np.pi * _turn_per_s(notes)


def drag_of(energy_j, machine: Machine, notes: pa.Table):
    """Return the share of the nominal speed that a strike of this energy takes: 1 − sqrt(1 − 2 E / (I ω₀²))."""
    twice = 2 * np.asarray(energy_j) / (inertia_at_barrel_kg_m2(machine) * nominal_rad_per_s(notes) ** 2)
    return 1 - np.sqrt(1 - twice)


def energy_of(drag, machine: Machine, notes: pa.Table):
    """Return the energy of a strike in joule that takes this share of the nominal speed (inverse of `drag_of`)."""
    return (1 - (1 - np.asarray(drag)) ** 2) / 2 * inertia_at_barrel_kg_m2(machine) * nominal_rad_per_s(notes) ** 2


def no_faults(machine: Machine, notes: pa.Table) -> Faults:
    """Return a machine that plays exactly what is written, to `dataclasses.replace` single faults in."""
    n = len(machine.strikers)
    n_pins = int(notes["pin_id"].to_numpy().max()) + 1 if len(notes) else 0
    names = ("energy_j delay_s company_s readiness_s jitter_s miss_rate miss_gap_s miss_company miss_speed "
             "rebound_rate double_rate level_sd_db").split()  # fmt: skip
    zeros = {name: np.zeros(n) for name in names}
    return Faults(**zeros, level_db=np.full(n, -9.0), pin_s=np.zeros(n_pins), pin_miss=np.zeros(n_pins))


def steady_crew(machine: Machine, notes: pa.Table, faults: Faults | None = None, recovery_beats: float = 8.0) -> Crew:
    """Return a crew that holds the written tempo on average (under the mean load of `faults`), without any unrest."""
    inertia, omega = inertia_at_barrel_kg_m2(machine), nominal_rad_per_s(notes)
    resistance = inertia / (recovery_beats * _beat_s(notes))
    torque = resistance * omega
    if faults is not None and len(notes):
        column = _column_of(machine, notes)
        torque += faults.energy_j[column].sum() / (_length_s(notes) * omega)
    return Crew(torque_nm=torque, resistance_nm_s=resistance)


def simulate(machine: Machine, notes: pa.Table, faults: Faults, crew: Crew, seed: int, lead_in_s: float = 2.0) -> Take:
    """Let the crew play the notes on the machine.

    Parameters
    ----------
    machine : Machine
        In its set-up.
    notes : pa.Table
        Under the contract 'notes'.
    faults, crew, seed
        Same arguments, same take.
    lead_in_s : float
        From the recording's first sample to the first beat, at the written tempo.
    """
    chance = np.random.default_rng([seed, 1])
    runs, shafts, playthrough, start_at_s, before = [], [], 0, 0.0, None
    click_zero = None
    for number, leg in enumerate(crew.legs):
        # A new playthrough begins where a leg does not go on in the song.
        if before is None or leg.first_bar < before:
            playthrough += 1
        one = _Run(machine, notes, faults, crew, number, leg, chance)
        lead_s = lead_in_s if number == 0 else 1.0
        one.place(start_at_s + leg.pause_s, lead_s, click_zero)
        one.drive()
        one.strike(playthrough)
        click_zero = click_zero or (one.zero_time_s, one.start_s)
        runs.append(one)
        shafts.extend(one.shaft_rows)
        playthrough += leg.rounds - 1
        before = leg.last_bar or 10**9
        start_at_s = one.curve.time_s[-1]
    strikes = _joined(Strikes, [one.strikes for one in runs])
    length_s = float(runs[-1].curve.time_s[-1] + 1.0)
    return Take(
        strikes=strikes,
        extras=_extras(strikes, faults, machine, length_s, chance),
        index_s=np.concatenate([one.index_s() for one in runs]),
        click_s=_clicks(notes, crew, click_zero, length_s),
        curve=_joined(Curve, [one.curve for one in runs]),
        tempo=pa.concat_tables([one.tempo() for one in runs]),
        drag=drag_of(faults.energy_j, machine, notes),
        recovery_beats=inertia_at_barrel_kg_m2(machine) / crew.resistance_nm_s / _beat_s(notes),
        shafts=pa.Table.from_pylist(shafts, schema=_SHAFTS),
        length_s=length_s,
    )


def stretched(take: Take, factor: float) -> Take:
    """Return the take as a clock reads it that counts `factor` seconds a second; parts of lateness stay as they are."""
    if factor == 1.0:
        return take
    strikes = take.strikes
    moved = strikes.strike_s * factor
    # What the clock adds belongs to no part of the machine: it goes to the place of the click's own beats.
    strikes = replace(strikes, strike_s=moved, clock_s=strikes.clock_s + moved - strikes.strike_s)
    tempo = {name: take.tempo[name] for name in take.tempo.column_names}
    tempo["time_s"] = take.tempo["time_s"].to_numpy() * factor
    tempo["tempo_bpm"] = take.tempo["tempo_bpm"].to_numpy() / factor
    return replace(
        take,
        strikes=strikes,
        extras=replace(take.extras, strike_s=take.extras.strike_s * factor),
        index_s=take.index_s * factor,
        click_s=take.click_s * factor,
        curve=replace(take.curve, time_s=take.curve.time_s * factor),
        tempo=pa.table(tempo),
        length_s=take.length_s * factor,
    )


_SHAFTS = pa.schema(
    [
        ("leg", pa.int64()),
        ("shaft", pa.string()),
        ("harmonic", pa.int64()),
        ("order", pa.float64()),
        ("creep", pa.float64()),
        ("amplitude_s", pa.float64()),
        ("phase_turn", pa.float64()),
    ]
)


class _Run:
    """One leg while it is being worked out: first placed, then driven, then struck."""

    def __init__(self, machine, notes, faults, crew, number, leg, chance):
        self.machine, self.notes, self.faults, self.crew = machine, notes, faults, crew
        self.number, self.leg, self.chance = number, leg, chance
        bars = notes["bar"].to_numpy()
        self.length_s = _length_s(notes)
        bar_s = _beats_per_bar(notes) * _beat_s(notes)
        score_s = notes["score_s"].to_numpy()
        first_s = (leg.first_bar - 1) * bar_s if leg.first_bar > 1 else 0.0
        last_s = (leg.last_bar * bar_s if leg.last_bar else self.length_s) + (leg.rounds - 1) * self.length_s
        rounds = np.repeat(np.arange(leg.rounds), len(notes))
        row = np.tile(np.arange(len(notes)), leg.rounds)
        along_s = score_s[row] + rounds * self.length_s
        last = leg.last_bar or 10**9
        inside = ((rounds > 0) | (bars[row] >= leg.first_bar)) & ((rounds < leg.rounds - 1) | (bars[row] <= last))
        order = np.flatnonzero(inside)
        self.row, self.round, self.along_s = row[order], rounds[order], along_s[order]
        self.first_s, self.last_s, self.bar_s = first_s, last_s, bar_s
        self.column = _column_of(machine, notes)[self.row]

    def place(self, not_before_s, lead_s, click_zero):
        """Say when the leg starts; with a click that runs already, on a bar of the click."""
        self.start_s = self.first_s - lead_s
        self.zero_time_s = not_before_s
        self.ratio = self.crew.click_bpm * _beat_s(self.notes) / 60 if self.crew.click_bpm else 0.0
        if click_zero is not None and self.ratio:
            time_s, position_s = click_zero
            ahead = (position_s + (not_before_s - time_s) * self.ratio - self.start_s) / self.bar_s
            self.zero_time_s += (np.ceil(ahead) - ahead) * self.bar_s / self.ratio

    def drive(self):
        """Integrate the speed, with the pins where shafts and faults put them."""
        crew, faults, chance = self.crew, self.faults, self.chance
        inertia, omega = inertia_at_barrel_kg_m2(self.machine), nominal_rad_per_s(self.notes)
        self.momentum = inertia * omega
        rate = crew.resistance_nm_s / inertia
        stalls = sorted((s for s in crew.stalls if s.leg == self.number), key=lambda s: s.bar)
        stand_s = np.array([s.stand_s for s in stalls], dtype=float)
        end_s = self.last_s + 0.5
        n = int(((end_s - self.start_s) * SLACK + (stand_s + 3).sum() + 5) / drive.STEP_S)
        force = np.full(n, crew.torque_nm / self.momentum)
        if crew.wander_nm:
            force += drive.wander(n, crew.wander_nm / self.momentum, crew.wander_s, chance)
        self._draw_shafts()
        self.shaft_pos_s = self._shaft_s(self.along_s)
        self.pin_pos_s = faults.pin_s[self.notes["pin_id"].to_numpy()[self.row]] if len(self.row) else np.zeros(0)
        comes_s = self.along_s + self.shaft_pos_s + self.pin_pos_s
        order = np.argsort(comes_s, kind="stable")
        missed = self._missed_anyway(comes_s)[order]
        loss = 2 * faults.energy_j[self.column] / (inertia * omega**2)
        gap_s = faults.miss_gap_s[self.column] * (1 + MISS_GAP_SPREAD * chance.normal(size=len(order)))
        per_s = _turn_per_s(self.notes)
        x, v, load, held = drive.run(
            comes_s[order], loss[order], missed, self.column[order], gap_s[order],
            faults.miss_speed[self.column][order], force, crew.stroke_nm / self.momentum,
            crew.strokes_per_turn * per_s, float(chance.random()), rate, crew.pull_nm_per_s / self.momentum,
            self.ratio, self.start_s, np.array([(s.bar - 1) * self.bar_s for s in stalls], dtype=float), stand_s,
            self.start_s, min(1.0, float(force[0] / rate)), end_s,
        )  # fmt: skip
        self.missed = np.empty(len(order), dtype=bool)
        self.missed[order] = missed
        time_s = self.zero_time_s + np.arange(len(x)) * drive.STEP_S
        leg = np.full(len(x), self.number + 1)
        self.curve = Curve(leg, time_s, x, self._turn(x), v, load, held)

    def strike(self, playthrough):
        """Add what the striker does, and split every time into its parts."""
        faults, chance, notes, curve = self.faults, self.chance, self.notes, self.curve
        reached = self.along_s + self.shaft_pos_s + self.pin_pos_s < curve.score_s[-1]
        for name in ("row", "round", "along_s", "shaft_pos_s", "pin_pos_s", "column", "missed"):
            setattr(self, name, getattr(self, name)[reached])
        n, column = len(self.row), self.column
        at_s = self._when(self.along_s)
        shaft_s = self._when(self.along_s + self.shaft_pos_s) - at_s
        comes_s = self._when(self.along_s + self.shaft_pos_s + self.pin_pos_s)
        clock_s = self.zero_time_s + (self.along_s - self.start_s) / (self.ratio or 1.0)
        gone_s = np.interp(at_s, curve.time_s, np.cumsum(curve.load) * drive.STEP_S)
        company_s = faults.company_s[column] * self._others(comes_s)
        readiness_s = faults.readiness_s[column] * np.exp(-self._gap(comes_s) / faults.readiness_fade_s)
        jitter_s = faults.jitter_s[column] * _scatter(chance, n, faults.jitter_df)
        velocity = notes["velocity"].to_numpy()[self.row]
        level_db = faults.level_db[column] + 12 * np.log10(np.maximum(velocity, 1) / 127)
        level_db = np.minimum(level_db + faults.level_sd_db[column] * chance.normal(size=n), -0.5)
        self.strikes = Strikes(
            note_id=notes["note_id"].to_numpy()[self.row],
            pin_id=notes["pin_id"].to_numpy()[self.row],
            playthrough=playthrough + self.round,
            leg=np.full(n, self.number + 1),
            striker=_names(self.machine)[column],
            score_s=notes["score_s"].to_numpy()[self.row],
            barrel_turn=self._turn(self.along_s),
            missed=self.missed,
            strike_s=comes_s + faults.delay_s[column] + company_s + readiness_s + jitter_s,
            clock_s=clock_s,
            motion_s=at_s - clock_s + gone_s,
            load_s=-gone_s,
            shaft_s=shaft_s,
            pin_s=comes_s - at_s - shaft_s,
            delay_s=faults.delay_s[column],
            company_s=company_s,
            readiness_s=readiness_s,
            jitter_s=jitter_s,
            level_db=level_db,
        )

    def index_s(self):
        """Return when the barrel passes whole turns."""
        turn = self.curve.turn
        if not np.isfinite(turn[0]):
            return np.zeros(0)
        marks = np.arange(np.ceil(turn[0]), np.floor(turn[-1]) + 1)
        return np.interp(marks, turn, self.curve.time_s)

    def tempo(self):
        """Return the tempo at every half beat of the score, from the half beat around it."""
        beat_s, curve = _beat_s(self.notes), self.curve
        half = np.arange(np.ceil(2 * self.first_s / beat_s), np.floor(2 * self.last_s / beat_s)) / 2
        half = half[half * beat_s + beat_s / 4 < curve.score_s[-1]]
        time_s = self._when(half * beat_s)
        span_s = self._when((half + 0.25) * beat_s) - self._when((half - 0.25) * beat_s)
        length = self.length_s / beat_s
        rounds = np.floor(half / length + 1e-9).astype(int)
        return pa.table(
            {
                "leg": np.full(len(half), self.number + 1),
                "playthrough": self.strikes.playthrough.min(initial=1) + rounds,
                "score_beat": half - rounds * length,
                "time_s": time_s,
                "tempo_bpm": 30.0 / span_s,
                "load": np.interp(time_s, curve.time_s, curve.load),
            }
        )

    def _draw_shafts(self):
        self.shaft_rows = []
        for fault in self.faults.shafts:
            phase = self.chance.random() if fault.phase_turn is None else fault.phase_turn
            creep = fault.creep_sd * self.chance.normal()
            order = fault.turns * fault.harmonic * (1 + creep)
            row = dict(leg=self.number + 1, shaft=fault.shaft, harmonic=fault.harmonic, order=order, creep=creep)
            self.shaft_rows.append(row | dict(amplitude_s=fault.amplitude_s, phase_turn=phase))

    def _shaft_s(self, along_s):
        turn = along_s * _turn_per_s(self.notes)
        out = np.zeros(len(along_s))
        for row in self.shaft_rows:
            out += row["amplitude_s"] * np.sin(2 * np.pi * (row["order"] * turn + row["phase_turn"]))
        return out

    def _missed_anyway(self, comes_s):
        """Draw the misses that do not depend on how fast the machine runs."""
        faults, n = self.faults, len(comes_s)
        pin = faults.pin_miss[self.notes["pin_id"].to_numpy()[self.row]] if n else np.zeros(0)
        company = _near(comes_s, np.ones(n)) > 0
        draw = self.chance.random((3, n))
        missed = (draw[0] < faults.miss_rate[self.column]) | (draw[1] < pin)
        return missed | (company & (draw[2] < faults.miss_company[self.column]))

    def _others(self, comes_s):
        """Return the load of others within 15 ms, in mean strikes (missed ones do not load)."""
        energy = self.faults.energy_j
        mean = energy[self.column].mean() if len(self.column) else 0.0
        weight = energy[self.column] / mean if mean > 0 else np.ones(len(comes_s))
        return _near(comes_s, np.where(self.missed, 0.0, weight))

    def _gap(self, comes_s):
        gap_s = np.full(len(comes_s), np.inf)
        for one in np.unique(self.column):
            mine = np.flatnonzero(self.column == one)
            mine = mine[np.argsort(comes_s[mine], kind="stable")]
            played = np.where(self.missed[mine], -np.inf, comes_s[mine])
            last = np.concatenate([[-np.inf], np.maximum.accumulate(played)[:-1]])
            gap_s[mine] = comes_s[mine] - last
        return gap_s

    def _when(self, position_s):
        """Return when the barrel is at a score position (position only grows; it stands still in a stall)."""
        return np.interp(position_s, self.curve.score_s, self.curve.time_s)

    def _turn(self, along_s):
        turn, score_s = self.notes["barrel_turn"].to_numpy(), self.notes["score_s"].to_numpy()
        if not len(turn) or not np.isfinite(turn).all():
            return np.full(len(along_s), np.nan)
        return turn[0] + (along_s - score_s[0]) * _turn_per_s(self.notes)


def _near(at_s, weight):
    """Return for each time the weights of the others within 15 ms."""
    order = np.argsort(at_s, kind="stable")
    sorted_s, total = at_s[order], np.concatenate([[0.0], np.cumsum(weight[order])])
    low = np.searchsorted(sorted_s, sorted_s - COMPANY_S, side="left")
    high = np.searchsorted(sorted_s, sorted_s + COMPANY_S, side="right")
    out = np.empty(len(at_s))
    out[order] = total[high] - total[low] - weight[order]
    return np.maximum(out, 0.0) * (out > 1e-9)


def _scatter(chance, n, df):
    if np.isinf(df):
        return chance.normal(size=n)
    return chance.standard_t(df, size=n) * np.sqrt((df - 2) / df)  # standard deviation 1


def _extras(strikes, faults, machine, length_s, chance):
    names = list(_names(machine))
    column = np.array([names.index(name) for name in strikes.striker], dtype=int)
    played = ~strikes.missed
    n = len(column)
    rows = []
    for kind, rate, (low_s, high_s) in (
        ("rebound", faults.rebound_rate, REBOUND_S), ("double", faults.double_rate, DOUBLE_S)
    ):  # fmt: skip
        which = np.flatnonzero(played & (chance.random(n) < rate[column]))
        fall_db = chance.uniform(*REBOUND_DB, len(which)) if kind == "rebound" else chance.normal(-2, 2, len(which))
        later_s = strikes.strike_s[which] + chance.uniform(low_s, high_s, len(which))
        level_db = np.minimum(strikes.level_db[which] + fall_db, -0.5)
        rows.append((later_s, strikes.striker[which], np.full(len(which), kind), strikes.note_id[which],
                     strikes.playthrough[which], level_db))  # fmt: skip
    n_strays = chance.poisson(faults.strays_per_min * length_s / 60)
    which = chance.integers(len(names), size=n_strays)
    rows.append((chance.uniform(0, length_s - 1, n_strays), _names(machine)[which], np.full(n_strays, "stray"),
                 np.full(n_strays, -1), np.zeros(n_strays, dtype=int), faults.level_db[which] - 3.0))  # fmt: skip
    columns = [np.concatenate([row[i] for row in rows]) for i in range(6)]
    order = np.argsort(columns[0], kind="stable")
    return Extras(*(column[order] for column in columns))


def _clicks(notes, crew, click_zero, length_s):
    """Return the clicks: they lie on the beats of the first leg's clock and go on to the end."""
    if not crew.click_bpm:
        return np.zeros(0)
    time_s, position_s = click_zero
    period_s = 60 / crew.click_bpm / crew.clicks_per_beat
    zero_s = time_s - position_s / (crew.click_bpm * _beat_s(notes) / 60)  # of position 0
    first = np.ceil((0.05 - zero_s) / period_s)
    return zero_s + period_s * np.arange(first, np.floor((length_s - 0.2 - zero_s) / period_s) + 1)


def _joined(kind, parts):
    return kind(*(np.concatenate([getattr(part, name) for part in parts]) for name in kind.__dataclass_fields__))


def _names(machine):
    return np.array([striker.name for striker in machine.strikers], dtype=object)


def _column_of(machine, notes):
    index = {striker.name: i for i, striker in enumerate(machine.strikers)}
    return np.array([index[name] for name in notes["striker"].to_pylist()], dtype=np.int64)


def _wheel_inertia_kg_m2(flywheel: Flywheel) -> float:
    if flywheel.inertia_kg_m2 is not None:
        return flywheel.inertia_kg_m2
    # Of an annulus: m (r_outer² + r_inner²) / 2, radii in metres.
    return sum(w.count * w.mass_kg * ((w.outer_mm / 2e3) ** 2 + (w.inner_mm / 2e3) ** 2) / 2 for w in flywheel.wheels)


def _beat_s(notes):
    """Return the mean length of a quarter note at the written tempo."""
    beat, score_s = notes["score_beat"].to_numpy(), notes["score_s"].to_numpy()
    return float((score_s[-1] - score_s[0]) / (beat[-1] - beat[0])) if len(beat) > 1 and beat[-1] > beat[0] else 0.5


def _beats_per_bar(notes):
    """Return quarter notes per bar (of a constant meter), told from bar, beat in bar and beat."""
    bar, beat = notes["bar"].to_numpy(), notes["score_beat"].to_numpy()
    if len(bar) == 0 or bar.max() == bar.min():
        return 4.0
    columns = np.stack([bar - 1.0, notes["beat_in_bar"].to_numpy() - 1.0], axis=1)
    return round(float(np.linalg.lstsq(columns, beat, rcond=None)[0][0]), 6)


def _length_s(notes):
    """Return the arrangement's length to the end of its last bar."""
    return float(notes["bar"].to_numpy().max() * _beats_per_bar(notes) * _beat_s(notes))


def _turn_per_s(notes):
    turn, score_s = notes["barrel_turn"].to_numpy(), notes["score_s"].to_numpy()
    if len(turn) < 2 or not np.isfinite(turn).all() or turn[-1] == turn[0]:
        return 1 / UNTOLD_TURN_S
    return float((turn[-1] - turn[0]) / (score_s[-1] - score_s[0]))
