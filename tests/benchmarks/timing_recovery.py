"""Print how well the timing model recovers what is hidden, beside the goals, and how often its intervals hold.

    python -m tests.benchmarks.timing_recovery [model|demo|true] [n_takes] [first_seed] [n_seeds]

`model` draws from the model's own equations (tests/timing_machine.py), `demo` from the physical simulator of demo/,
which has a different slow motion (uneven torque of a second's memory), heavy tails and a flywheel out of true; `true`
is the same with its shafts true.
"""

import sys
import time
from dataclasses import dataclass, replace

import numpy as np

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from pipeline import timing
from tests import timing_machine


@dataclass
class Tally:
    """Errors, and the same over their standard errors, gathered over seeds."""

    name: str
    error: list
    z: list

    def add(self, estimate, truth, se):
        error = np.asarray(estimate, dtype=float) - truth
        self.error.extend(error)
        self.z.extend(error / np.asarray(se, dtype=float))

    def line(self, scale, unit, goal):
        error, z = np.array(self.error), np.array(self.z)
        held = 100 * np.mean(np.abs(z) < 1.96)
        own = np.sqrt(np.mean((error / z) ** 2)) if len(z) else np.nan
        rms = np.sqrt(np.mean(error**2))
        return (
            f"{self.name:24s} rms {rms * scale:7.3f} {unit:4s} own se {own * scale:7.3f}  goal {goal:12s} "
            f"95 % intervals hold {held:5.1f} %  (n {len(z)})"
        )


def one_model(seed, n_takes, company=0.0, readiness=0.0):
    """Return notes, machine, takes and truth from the model's equations."""
    chance = np.random.default_rng([2031, seed])
    notes = timing_machine.make_notes(chance, bars=int(chance.integers(60, 91)), density=(0.7, 1.6))
    truth = timing_machine.make_truth(chance, notes)
    truth.company_s[0] = company
    truth.readiness_s[1] = readiness
    return notes, timing_machine.make_machine(), timing_machine.make_takes(chance, notes, truth, n_takes), truth


@dataclass
class DemoTruth:
    """The same fields of truth, from the physical simulator."""

    delay_s: np.ndarray
    drag: np.ndarray
    company_s: np.ndarray
    readiness_s: np.ndarray
    pin_s: np.ndarray
    recovery_beats: float
    rate: list


def demo_machine(seed, n_takes, shafts=True, slips=()):
    """Return notes, machine, takes and truth from the physical simulator, every strike heard and told apart.

    `slips` are the second take's.
    """
    machine = draws.random_machine(12, seed)
    notes = tunes.notes_table(tunes.random_tune(12, 60 + seed % 31, seed), machine)
    faults = draws.random_faults(machine, notes, seed)
    if not shafts:
        faults = replace(faults, shafts=())
    takes, rate = [], []
    for number in range(n_takes):
        crew = draws.random_crew(machine, notes, faults, seed * 100 + number)
        crew = replace(crew, slips=tuple(slips) if number == 1 else ())
        played = simulator.simulate(machine, notes, faults, crew, seed * 100 + number)
        strikes = played.strikes
        strike_s, missed = np.full(len(notes), np.nan), np.ones(len(notes), dtype=bool)
        strike_s[strikes.note_id], missed[strikes.note_id] = strikes.strike_s, strikes.missed
        once = np.ones(len(notes), dtype=int)
        takes.append(timing_machine.take_of(notes, strike_s, missed, once, f"take-{number + 1}"))
        rate.append((played.tempo["score_beat"].to_numpy()[1:-1], played.tempo["tempo_bpm"].to_numpy()[1:-1]))
    nominal = np.array([faults.delay_s, faults.company_s, faults.readiness_s])
    truth = DemoTruth(*nominal[:1], played.drag, *nominal[1:], faults.pin_s, played.recovery_beats, rate)
    return notes, machine, takes, truth


def study(draw, n_takes, seeds, **faults):
    """Print the table for one kind of machine."""
    names = ("delay", "drag", "tempo", "flagged pin", "unflagged pin", "far pin", "company", "readiness", "recovery")
    tally = {name: Tally(name, [], []) for name in names}
    far, called, right, innocent, blamed = 0, 0, 0, 0, 0
    began = time.time()
    for seed in seeds:
        notes, machine, takes, truth = draw(seed, n_takes, **faults)
        fitted = timing.fit_of(machine, notes, takes)
        made = timing.tables_from(timing_machine.make_group(takes), machine, takes, fitted)
        strikers, pins = made["strikers"].to_pandas(), made["pins"].to_pandas()
        order = [[one.name for one in machine.strikers].index(name) for name in strikers["striker"]]
        tally["delay"].add(strikers["delay_s"], truth.delay_s[order], strikers["delay_se"])
        tally["drag"].add(strikers["drag"], drag_as_played(truth)[order], strikers["drag_se"])
        for name, true in (("company", truth.company_s), ("readiness", truth.readiness_s)):
            on = (true[order] > 0) & strikers[f"{name}_s"].notna()
            tally[name].add(strikers[f"{name}_s"][on], true[order][on], strikers[f"{name}_se"][on])
        pins = pins[pins["n_takes"] > 0]
        true_s, called_here = truth.pin_s[pins["pin_id"]], pins["misplaced"].to_numpy()
        far_here = np.abs(true_s) >= 0.006
        for name, on in (("flagged pin", called_here), ("unflagged pin", ~called_here), ("far pin", far_here)):
            tally[name].add(pins["offset_s"][on], true_s[on], pins["offset_se"][on])
        far, called, right = far + far_here.sum(), called + called_here.sum(), right + (far_here & called_here).sum()
        odd = pins["striker"].isin(
            [one.name for i, one in enumerate(machine.strikers) if truth.company_s[i] or truth.readiness_s[i]]
        )
        innocent, blamed = innocent + (odd & ~far_here).sum(), blamed + (odd & ~far_here & called_here).sum()
        _tempo(tally["tempo"], made["tempo"].to_pandas(), truth)
        log_error = np.log(fitted.recovery_beats / truth.recovery_beats)
        tally["recovery"].add([log_error], 0.0, [fitted.recovery_log_se])
    print(f"\n{n_takes} takes, {len(seeds)} machines, {(time.time() - began) / len(seeds):.1f} s each {faults or ''}")
    print(tally["delay"].line(1e3, "ms", "≤ 0.4 (2: 0.6)"))
    print(tally["drag"].line(1 / 5e-5, "% of mean", "≤ 10, or 1.3 × own"))
    print(tally["recovery"].line(100, "%", "≤ 25"))
    print(tally["tempo"].line(100, "%", "≤ 0.15"))
    print(tally["far pin"].line(1e3, "ms", "≤ 0.9"))
    print(tally["flagged pin"].line(1e3, "ms", ""))
    print(tally["unflagged pin"].line(1e3, "ms", ""))
    for name in ("company", "readiness"):
        if tally[name].error:
            print(tally[name].line(1e3, "ms", "within 15 %"))
    if innocent:
        print(f"innocent pins of odd strikers called misplaced: {100 * blamed / innocent:.2f} % (≤ 2; n {innocent})")
    print(
        f"pins ≥ 6 ms: recall {right / far:.3f} (≥ .95; 2 takes .85), "
        f"precision {right / max(called, 1):.3f} (≥ .95; n {far})"
    )


def drag_as_played(truth):
    """Return the share of the speed that strikes took at the tempo played: the same energy is more of a lower speed."""
    bpm = np.mean([np.mean(bpm) for _, bpm in truth.rate])
    return truth.drag * (96 / bpm) ** 2


def _tempo(tally, tempo, truth):
    for number, (beat, bpm) in enumerate(truth.rate):
        mine = tempo[tempo["recording"] == f"take-{number + 1}"]
        mine = mine[mine["score_beat"].isin(beat)]
        true = np.interp(mine["score_beat"], beat, bpm)
        tally.add(mine["tempo_bpm"] / true, 1.0, mine["tempo_se"] / true)


def main(words):
    kind = words[0] if words else "model"
    n_takes = int(words[1]) if len(words) > 1 else 5
    first, n = (int(words[2]) if len(words) > 2 else 1), (int(words[3]) if len(words) > 3 else 10)
    if kind != "model":  # has company and readiness in every machine
        study(demo_machine, n_takes, range(first, first + n), shafts=kind == "demo")
        return
    draw = one_model
    study(draw, n_takes, range(first, first + n))
    study(draw, n_takes, range(first + 500, first + 500 + max(n // 2, 1)), company=0.005, readiness=0.006)


if __name__ == "__main__":
    main(sys.argv[1:])
