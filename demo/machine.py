"""Turn notes, hidden faults and a crew into strikes with known truth (no audio here).

A pin reaches its striker when the barrel, with its shafts out of true, has turned to the place of the pin, with its
misplacement. The strike follows after the striker's delay, company, readiness and scatter. So its time is a sum:

    strike_s = clock_s + motion_s + load_s + shaft_s + pin_s + delay_s + company_s + readiness_s + jitter_s
"""

from dataclasses import replace

import numpy as np
import pyarrow as pa

from demo import score
from demo.energy import BARREL_INERTIA_KG_M2, drag_of, energy_of, inertia_at_barrel_kg_m2, nominal_rad_per_s
from demo.leg import Run
from demo.truth import Crew, Curve, Extras, Faults, Leg, ShaftFault, Slip, Stall, Strikes, Take
from pipeline.settings import Machine

__all__ = [
    "BARREL_INERTIA_KG_M2",
    "Crew",
    "Faults",
    "Leg",
    "ShaftFault",
    "Slip",
    "Stall",
    "Take",
    "drag_of",
    "energy_of",
    "inertia_at_barrel_kg_m2",
    "no_faults",
    "nominal_rad_per_s",
    "simulate",
    "steady_crew",
    "stretched",
]

REBOUND_S, DOUBLE_S = (0.012, 0.060), (0.060, 0.160)  # range of the time after the strike; chosen
REBOUND_DB = (-20.0, -8.0)  # range of the level against the strike's; chosen
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


def no_faults(machine: Machine, notes: pa.Table) -> Faults:
    """Return no faults: the machine plays what is written. Set single ones by `dataclasses.replace`."""
    n = len(machine.strikers)
    n_pins = int(notes["pin_id"].to_numpy().max()) + 1 if len(notes) else 0
    names = ("energy_j delay_s company_s readiness_s jitter_s miss_rate miss_gap_s miss_company miss_speed "
             "rebound_rate double_rate level_sd_db").split()  # fmt: skip
    zeros = {name: np.zeros(n) for name in names}
    return Faults(**zeros, level_db=np.full(n, -9.0), pin_s=np.zeros(n_pins), pin_miss=np.zeros(n_pins))


def steady_crew(machine: Machine, notes: pa.Table, faults: Faults | None = None, recovery_beats: float = 8.0) -> Crew:
    """Return a crew with constant torque that holds the written tempo under the mean load of `faults`."""
    inertia, omega = inertia_at_barrel_kg_m2(machine), nominal_rad_per_s(notes)
    resistance = inertia / (recovery_beats * score.beat_s(notes))
    torque = resistance * omega
    if faults is not None and len(notes):
        column = score.column_of(machine, notes)
        torque += faults.energy_j[column].sum() / (score.length_s(notes) * omega)
    return Crew(torque_nm=torque, resistance_nm_s=resistance)


def simulate(machine: Machine, notes: pa.Table, faults: Faults, crew: Crew, seed: int, lead_in_s: float = 2.0) -> Take:
    """Let the crew play the notes on the machine.

    Parameters
    ----------
    machine : Machine
        In its set-up.
    notes : pa.Table
        Under the contract 'notes'.
    faults : Faults
    crew : Crew
    seed : int
        The same arguments give the same take.
    lead_in_s : float
        From the recording's first sample to the first beat, at the written tempo.

    Returns
    -------
    Take
    """
    chance = np.random.default_rng([seed, 1])
    runs, shafts, playthrough, start_at_s, before = [], [], 0, 0.0, None
    click_zero = None
    for number, leg in enumerate(crew.legs):
        # A new playthrough begins where a leg does not go on in the song.
        if before is None or leg.first_bar <= before:
            playthrough += 1
        one = Run(machine, notes, faults, crew, number, leg, chance)
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
        recovery_beats=inertia_at_barrel_kg_m2(machine) / crew.resistance_nm_s / score.beat_s(notes),
        shafts=pa.Table.from_pylist(shafts, schema=_SHAFTS),
        length_s=length_s,
    )


def stretched(take: Take, factor: float) -> Take:
    """Return the take as recorded by a clock that counts `factor` seconds a second; parts of lateness do not change."""
    if factor == 1.0:
        return take
    strikes = take.strikes
    moved = strikes.strike_s * factor
    # The error of the clock is no part of the machine: it is added to the time of the click's beats.
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


def _extras(strikes, faults, machine, length_s, chance):
    names = list(score.names_of(machine))
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
    rows.append((chance.uniform(0, length_s - 1, n_strays), score.names_of(machine)[which], np.full(n_strays, "stray"),
                 np.full(n_strays, -1), np.zeros(n_strays, dtype=int), faults.level_db[which] - 3.0))  # fmt: skip
    columns = [np.concatenate([row[i] for row in rows]) for i in range(6)]
    order = np.argsort(columns[0], kind="stable")
    return Extras(*(column[order] for column in columns))


def _clicks(notes, crew, click_zero, length_s):
    """Return the times of the clicks, s: on the beats of the first leg's clock, to the end of the recording."""
    if not crew.click_bpm:
        return np.zeros(0)
    time_s, position_s = click_zero
    period_s = 60 / crew.click_bpm / crew.clicks_per_beat
    zero_s = time_s - position_s / (crew.click_bpm * score.beat_s(notes) / 60)  # of position 0
    first = np.ceil((0.05 - zero_s) / period_s)
    return zero_s + period_s * np.arange(first, np.floor((length_s - 0.2 - zero_s) / period_s) + 1)


def _joined(kind, parts):
    return kind(*(np.concatenate([getattr(part, name) for part in parts]) for name in kind.__dataclass_fields__))
