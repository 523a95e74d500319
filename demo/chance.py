"""Draw random machines, faults and crews, so that tests use truths that nothing was tuned for."""

from dataclasses import replace

import numpy as np
import pyarrow as pa

from demo import machine as simulator
from demo.machine import Crew, Faults, Leg, ShaftFault, Stall
from pipeline.settings import Barrel, Flywheel, Machine, Shaft, Striker

NAMES = (
    "oak block,brass cup,slate,pine board,horn,tin pan,bone,wire,flint,cork drum,bell jar,reed,glass rod,hoop,spoon,"
    "skillet,plank,gong dish,pebble,saw blade"
).split(",")


def random_machine(n_strikers: int, seed: int, bars_per_turn: float = 8.0, pins: str = "song") -> Machine:
    """Return a machine with strikers on the pitches 60, 61, …, a belt-driven flywheel and a crank."""
    chance = np.random.default_rng([seed, 10])
    return Machine(
        barrel=Barrel(bars_per_turn, float(chance.integers(300, 600)), pins),
        shafts=(
            Shaft("flywheel", round(float(chance.uniform(5, 8)), 2), "belt"),
            Shaft("crank", round(float(chance.uniform(2.5, 4)), 2), "freewheel"),
        ),
        flywheel=Flywheel(inertia_kg_m2=round(float(chance.uniform(1.2, 2.5)), 2), diameter_mm=600),
        strikers=tuple(
            Striker(NAMES[i] if i < len(NAMES) else f"striker {i + 1}", (60 + i,)) for i in range(n_strikers)
        ),
    )


def random_faults(machine: Machine, notes: pa.Table, seed: int, hard: bool = False) -> Faults:
    """Draw the faults of an ordinary machine, or of a hard one.

    Ordinary: mean drag .5 % (spread .3–2 of it), delays sd 3 ms, jitter 1.5 ms with some heavy tails, 3 % missed,
    3 % rebounds, pins sd .5 ms and one in thirty off by 6–25 ms; one striker with company (3–6 ms) and another with
    readiness (4–10 ms); a flywheel out of true by 1–2 ms that does not hold its phase. Hard: jitter 4–12 ms,
    8 % missed, 8 % rebounds, 2 % doubles, some strays.
    """
    chance = np.random.default_rng([seed, 11])
    n, none = len(machine.strikers), simulator.no_faults(machine, notes)
    n_pins = len(none.pin_s)
    relative = chance.uniform(0.3, 2.0, n)
    delay_s = chance.normal(0, 0.003, n)
    company_s, readiness_s = np.zeros(n), np.zeros(n)
    chosen = chance.permutation(n)[:2]
    company_s[chosen[0]] = chance.uniform(0.003, 0.006)
    readiness_s[chosen[-1]] = chance.uniform(0.004, 0.010)
    misplaced = chance.random(n_pins) < 1 / 30
    far_s = chance.uniform(0.006, 0.025, n_pins) * chance.choice([-1, 1], n_pins)
    jitter_s = chance.uniform(0.004, 0.012, n) if hard else np.full(n, 0.0015)
    return replace(
        none,
        energy_j=simulator.energy_of(0.005 * relative / relative.mean(), machine, notes),
        delay_s=delay_s - delay_s.mean(),
        company_s=company_s,
        readiness_s=readiness_s,
        readiness_fade_s=0.25,
        jitter_s=jitter_s,
        jitter_df=np.inf if hard else 6.0,
        miss_rate=np.full(n, 0.08 if hard else 0.03),
        rebound_rate=np.full(n, 0.08 if hard else 0.03),
        double_rate=np.full(n, 0.02 if hard else 0.003),
        strays_per_min=2.0 if hard else 0.2,
        level_db=chance.uniform(-14, -5, n),
        level_sd_db=np.full(n, 1.5),
        pin_s=np.where(misplaced, far_s, chance.normal(0, 0.0005, n_pins)),
        shafts=tuple(
            ShaftFault(s.name, s.turns, float(chance.uniform(0.001, 0.002)), creep_sd=0.0004)
            for s in machine.shafts
            if s.name == "flywheel"
        ),
    )


def random_crew(
    machine: Machine,
    notes: pa.Table,
    faults: Faults,
    seed: int,
    speed_sd: float = 0.005,
    recovery_beats: float = 8.0,
    hard: bool = False,
    click_bpm: float | None = None,
) -> Crew:
    """Draw a crew whose torque varies so that the relative speed has the standard deviation `speed_sd`.

    The torque varies as an Ornstein–Uhlenbeck process with the correlation time T = 1 s. The machine filters it with
    its recovery time τ. After two first-order low passes the speed has the variance (a τ)² T / (T + τ), where a is the
    standard deviation of the acceleration (from memory). Hard: 6–15 % with T = 4 s, and one to three stalls of
    .5–2.5 s. With `click_bpm` the crew corrects its distance from the click (damping ratio .7).
    """
    chance = np.random.default_rng([seed, 12])
    crew = simulator.steady_crew(machine, notes, faults, recovery_beats)
    wander_s = 4.0 if hard else 1.0
    speed_sd = float(chance.uniform(0.06, 0.15)) if hard else speed_sd
    crew = replace(
        crew,
        torque_nm=crew.torque_nm * float(1 + chance.normal(0, 0.01)),
        wander_nm=wander_nm(machine, notes, crew, speed_sd, wander_s),
        wander_s=wander_s,
    )
    if hard:
        bars = int(notes["bar"].to_numpy().max())
        at = sorted(chance.choice(np.arange(2, max(bars, 3)), size=min(int(chance.integers(1, 4)), bars - 2 or 1)))
        crew = replace(crew, stalls=tuple(Stall(int(bar), float(chance.uniform(0.5, 2.5))) for bar in at))
    if click_bpm:
        inertia, omega = simulator.inertia_at_barrel_kg_m2(machine), simulator.nominal_rad_per_s(notes)
        pull = inertia * omega * (crew.resistance_nm_s / inertia) ** 2 / 4 * 2.0
        crew = replace(crew, click_bpm=click_bpm, pull_nm_per_s=pull)
    return crew


def wander_nm(machine: Machine, notes: pa.Table, crew: Crew, speed_sd: float, wander_s: float) -> float:
    """Return the standard deviation of the torque (N m) that gives the relative speed the one of `speed_sd`."""
    inertia, omega = simulator.inertia_at_barrel_kg_m2(machine), simulator.nominal_rad_per_s(notes)
    recovery_s = inertia / crew.resistance_nm_s
    return speed_sd / (recovery_s * np.sqrt(wander_s / (wander_s + recovery_s))) * inertia * omega


def partial(crew: Crew, first_bar: int, last_bar: int) -> Crew:
    """Return the same crew, playing only these bars."""
    return replace(crew, legs=(Leg(first_bar, last_bar),))


def looped(crew: Crew, rounds: int) -> Crew:
    """Return the same crew, playing the song `rounds` times without a stop."""
    return replace(crew, legs=(Leg(rounds=rounds),))


def false_start(crew: Crew, stop_bar: int = 2, pause_s: float = 3.0) -> Crew:
    """Return the same crew; it stops after `stop_bar` and starts again at bar 1."""
    return replace(crew, legs=(Leg(last_bar=stop_bar), Leg(pause_s=pause_s)))
