"""Print how well shafts out of true are found, beside the goals, on simulated machines.

    python -m tests.benchmarks.timing_shafts true|named|unnamed|played [n_takes] [first_seed] [n_seeds]

`true`: machines without a wobble, every other one of the physical simulator of demo/: false alarms. `named`: a
flywheel out of true by 2 ms, another phase in each take, its ratio off by up to 2 %, from the model's own equations.
`unnamed`: a wobble of 1.5 ms at an order between 8 and 20 that nobody named. `played`: the physical simulator (1 to 2
ms).
"""

import sys
import time
from dataclasses import replace

import numpy as np

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from pipeline import timing
from pipeline.timing.model import straight_lines
from pipeline.timing.tables import budget, lateness
from tests import timing_machine
from tests.benchmarks import timing_recovery
from tests.benchmarks.timing_recovery import Tally

NOMINAL = 6.5  # of `timing_machine.make_machine`
FAR_S = 0.006


def modelled(seed, n_takes, wobbles=()):
    """Return notes, machine, takes and truth from the model's equations."""
    chance = np.random.default_rng([2032, seed])
    notes = timing_machine.make_notes(chance, bars=int(chance.integers(60, 91)), density=(0.7, 1.6))
    truth = replace(timing_machine.make_truth(chance, notes), wobbles=wobbles)
    return notes, timing_machine.make_machine(), timing_machine.make_takes(chance, notes, truth, n_takes), truth


def played(seed, n_takes):
    """Return notes, machine, takes and truth from the physical simulator, and its strikes take by take."""
    machine = draws.random_machine(12, seed)
    notes = tunes.notes_table(tunes.random_tune(12, 60 + seed % 31, seed), machine)
    faults = draws.random_faults(machine, notes, seed)
    strikes = []
    for number in range(n_takes):
        crew = draws.random_crew(machine, notes, faults, seed * 100 + number)
        strikes.append(simulator.simulate(machine, notes, faults, crew, seed * 100 + number))
    return timing_recovery.demo_machine(seed, n_takes), faults, strikes


def true_budget(fitted, takes, plays):
    """Return the budget's shares by the simulator's own parts of each strike.

    The simulator's `load_s` is the place lost to the load, ∫ of the speed by load over time, its mean included. With
    v̄ the line's mean speed and v = v̄ + c + l (crew and load about their means),

        dt/dx − 1/v̄ = −(c + l) / (v v̄):

    the load's lateness is −∫ l dt / v̄. So the mean load is taken off along time, not along the score: along the score
    it would carry each change of the speed, the crew's too, into the load.
    """
    hits = fitted.hits.copy()
    at_s = np.zeros(len(hits))
    parts = {name: np.zeros(len(hits)) for name in ("load_s", "shaft_s", "striker_s", "pin_s", "rest_s")}
    for number, play in enumerate(plays):
        on = (hits["take"] == number).to_numpy()
        strikes = play.strikes
        place = np.argsort(strikes.note_id)
        of = place[np.searchsorted(strikes.note_id[place], hits["note_id"].to_numpy()[on])]
        at_s[on] = (strikes.clock_s + strikes.motion_s + strikes.load_s)[of]
        parts["striker_s"][on] = (strikes.delay_s + strikes.company_s + strikes.readiness_s)[of]
        for name, true in (("load_s", "load_s"), ("shaft_s", "shaft_s"), ("pin_s", "pin_s"), ("rest_s", "jitter_s")):
            parts[name][on] = getattr(strikes, true)[of]
    line, along_s, use = hits["line"].to_numpy(), hits["along_s"].to_numpy(), ~hits["freak"].to_numpy()
    pace = straight_lines.start_and_slope(at_s, line, along_s, np.arange(line.max() + 1))[1]
    parts["load_s"] = straight_lines.detrended(parts["load_s"], line, at_s) * pace[line]
    for name in ("load_s", "shaft_s"):
        parts[name] = straight_lines.detrended(parts[name], line, along_s, use)
    hits = hits.assign(**parts, motion_s=hits["along_late_s"] - sum(parts.values()))
    fitted = replace(fitted, hits=hits)
    late = lateness.rows(takes, fitted, [None] * len(takes))
    return budget.budget(timing_machine.make_group(takes), fitted, late).to_pandas()


class Study:
    """What is counted over the machines of one kind."""

    def __init__(self):
        self.n = self.alarmed = self.right = self.extra = self.innocent = self.blamed = 0
        self.tally = {name: Tally(name, [], []) for name in ("amplitude", "creep", "drag", "tempo", "far pin")}
        self.shares, self.share_z = {}, []

    def add(self, notes, machine, takes, truth, wobbles, plays=()):
        """Fit a machine whose `wobbles` are (shaft, order, amplitude)."""
        fitted = timing.fit_of(machine, notes, takes)
        made = timing.tables_from(timing_machine.make_group(takes), machine, takes, fitted)
        self.n += 1
        self._shafts(fitted.shafts, {shaft.name: shaft.turns for shaft in machine.shafts}, wobbles)
        strikers, pins = made["strikers"].to_pandas(), made["pins"].to_pandas()
        order = [[one.name for one in machine.strikers].index(name) for name in strikers["striker"]]
        self.tally["drag"].add(strikers["drag"], timing_recovery.drag_as_played(truth)[order], strikers["drag_se"])
        pins = pins[pins["n_takes"] > 0]
        true_s = truth.pin_s[pins["pin_id"]]
        far = np.abs(true_s) >= FAR_S
        self.tally["far pin"].add(pins["offset_s"][far], true_s[far], pins["offset_se"][far])
        self.innocent += int((~far).sum())
        self.blamed += int((~far & pins["misplaced"].to_numpy()).sum())
        timing_recovery._tempo(self.tally["tempo"], made["tempo"].to_pandas(), truth)
        if plays:
            true = true_budget(fitted, takes, plays)
            error = made["budget"]["share"].to_numpy() - true["share"].to_numpy()
            off, load = np.abs(error), (true["part"] == "load").to_numpy()
            self.share_z.extend((error / made["budget"]["share_se"].to_pandas().to_numpy(float))[load])
            for ruler, of in true.groupby("ruler").indices.items():
                self.shares.setdefault(ruler, []).extend(off[of])
        return fitted

    def _shafts(self, found, nominal, wobbles):
        left = found.copy()
        for shaft, order, size_s in wobbles:
            near = left[np.abs(left["order"] / order - 1) < 0.01]
            if not len(near):
                continue
            row = near.iloc[0]
            left = left.drop(near.index[0])
            self.right += (row["shaft"] == shaft) or (shaft is None and row["shaft"] is None)
            self.tally["amplitude"].add([row["amplitude_s"] / size_s], 1.0, [row["amplitude_se"] / size_s])
            if shaft is not None and row["shaft"] == shaft:
                true = order / nominal[shaft] - 1
                self.tally["creep"].add([row["creep"]], true, [row["creep_se"]])
        self.extra += len(left)
        self.alarmed += len(left) > 0

    def say(self, began, n_wobbles):
        print(f"\n{self.n} machines, {(time.time() - began) / self.n:.1f} s each")
        print(f"runs with a wobble that is not there: {self.alarmed} of {self.n} (at most 4 of 40; aim 2 %)")
        if n_wobbles:
            print(f"found and named rightly: {self.right} of {n_wobbles}")
            print(self.tally["amplitude"].line(100, "%", "≤ 6"))
            if self.tally["creep"].error:
                print(self.tally["creep"].line(100, "%", "≤ 0.1"))
        print(self.tally["tempo"].line(100, "%", "hold 91-98"))
        print(self.tally["drag"].line(1 / 5e-5, "%", "≤ 10"))
        print(self.tally["far pin"].line(1e3, "ms", "≤ 0.9"))
        blamed = 100 * self.blamed / max(self.innocent, 1)
        print(f"unmoved pins called misplaced: {blamed:.2f} % (≤ .3; n {self.innocent})")
        for ruler, off in self.shares.items():
            print(f"shares of the budget ({ruler}) off: mean {np.mean(off):.3f}, at most {max(off):.3f} (≤ .05)")
        if self.share_z:
            held = 100 * np.mean(np.abs(self.share_z) < 1.96)
            print(f"95 % intervals of the load's share hold {held:.0f} % (n {len(self.share_z)})")


def main(words):
    kind = words[0] if words else "true"
    n_takes = int(words[1]) if len(words) > 1 else 3
    first, n = (int(words[2]) if len(words) > 2 else 1), (int(words[3]) if len(words) > 3 else 10)
    study, began, n_wobbles = Study(), time.time(), 0
    for seed in range(first, first + n):
        chance, plays, wobbles = np.random.default_rng([2033, seed]), (), []
        if kind == "true" and seed % 2:
            case = timing_recovery.demo_machine(seed, n_takes, shafts=False)
        elif kind == "played":
            case, faults, plays = played(seed, n_takes)
            # The wobble is an angle: it costs more time at a lower speed.
            slower = 96 / np.mean([np.mean(bpm) for _, bpm in case[3].rate])
            wobbles = [(one.shaft, one.turns, one.amplitude_s * slower) for one in faults.shafts]
        else:
            order = {"named": NOMINAL * (1 + chance.uniform(-0.02, 0.02)), "unnamed": chance.uniform(8.0, 20.0)}
            size_s = {"named": 0.002, "unnamed": 0.0015}
            if kind in order:
                shaft = "flywheel" if kind == "named" else None
                wobbles = [(shaft, order[kind], size_s[kind])]
            case = modelled(seed, n_takes, tuple(timing_machine.Wobble(o, s, None, 4e-4) for _, o, s in wobbles))
        n_wobbles += len(wobbles)
        fitted = study.add(*case, wobbles, plays)
        print(seed, wobbles, fitted.shafts.drop(columns="phase_turn").to_string(header=False), flush=True)
    study.say(began, n_wobbles)


if __name__ == "__main__":
    main(sys.argv[1:])
