"""Print how well slips of the drive are found, beside the goals, on simulated machines.

    python -m tests.benchmarks.timing_slips slip|none|stumble [milliseconds] [n_takes] [first_seed] [n_seeds]

Every other machine is from the model's own equations and from the physical simulator of demo/, with a flywheel out of
true. `slip`: in the second take the barrel falls behind at once (in every third machine it is thrown ahead). `none`: it
does not. `stumble`: it falls behind smoothly, within two to six beats (the model's own equations only).
"""

import sys
import time
from dataclasses import replace

import numpy as np

from demo.machine import Slip
from pipeline import timing
from tests import timing_machine
from tests.benchmarks import timing_recovery
from tests.benchmarks.timing_recovery import Tally

BEATS_PER_BAR = 4


def make_case(kind, seed, n_takes, size_s):
    """Return notes, machine, takes and truth, and the beat of the slip."""
    chance = np.random.default_rng([2034, seed])
    size_s = -size_s if seed % 3 == 0 and kind == "slip" else size_s
    beat = float(chance.uniform(4, 52)) * BEATS_PER_BAR
    if seed % 2 and kind != "stumble":
        slips = (Slip(1 + beat / BEATS_PER_BAR, size_s),) if kind == "slip" else ()
        return *timing_recovery.demo_machine(seed, n_takes, slips=slips), beat, size_s
    notes = timing_machine.make_notes(chance, bars=int(chance.integers(60, 91)), density=(0.7, 1.6))
    wobbles = (timing_machine.Wobble(6.5 * (1 + chance.uniform(-0.02, 0.02)), 0.002, None, 4e-4),)
    within = chance.uniform(2, 6) if kind == "stumble" else 0.0
    slips = (timing_machine.Slip("take-2", beat, size_s, within),) if kind != "none" else ()
    truth = replace(timing_machine.make_truth(chance, notes), wobbles=wobbles, slips=slips)
    return (
        notes,
        timing_machine.make_machine(),
        timing_machine.make_takes(chance, notes, truth, n_takes),
        truth,
        (beat),
        size_s,
    )


def main(words):
    kind = words[0] if words else "none"
    size_s = float(words[1]) / 1e3 if len(words) > 1 else 0.02
    n_takes = int(words[2]) if len(words) > 2 else 3
    first, n = (int(words[3]) if len(words) > 3 else 1), (int(words[4]) if len(words) > 4 else 10)
    began, right, alarmed, tally = time.time(), 0, 0, {name: Tally(name, [], []) for name in ("size", "drag", "tempo")}
    for seed in range(first, first + n):
        notes, machine, takes, truth, beat, true_s = make_case(kind, seed, n_takes, size_s)
        made = timing.tables_of(timing_machine.make_group(takes), machine, notes, takes)
        found = made["slips"].to_pandas()
        near = (found["recording"] == "take-2") & ((found["score_beat"] - beat).abs() <= BEATS_PER_BAR)
        near &= kind == "slip"
        right += near.any()
        alarmed += bool((~near).any())
        tally["size"].add(found.loc[near, "size_s"], true_s, found.loc[near, "size_se"])
        timing_recovery._tempo(tally["tempo"], made["tempo"].to_pandas(), truth)
        strikers = made["strikers"].to_pandas()
        order = [[one.name for one in machine.strikers].index(name) for name in strikers["striker"]]
        tally["drag"].add(strikers["drag"], timing_recovery.drag_as_played(truth)[order], strikers["drag_se"])
        shown = found[["recording", "score_beat", "size_s", "size_se", "q_value"]].to_string(header=False, index=False)
        print(seed, f"{beat:.2f}", shown if len(found) else "-", flush=True)
    print(f"\n{n} machines, {(time.time() - began) / n:.1f} s each")
    print(f"runs with a slip that is not there: {alarmed} of {n} (at most 2 of 40)")
    if kind == "slip":
        print(f"found and placed within a bar: {right} of {n} (at least 9 of 10)")
        if right:
            print(tally["size"].line(1e3, "ms", ""))
    print(tally["tempo"].line(100, "%", "hold 91-98"))
    print(tally["drag"].line(1 / 5e-5, "%", "≤ 10"))


if __name__ == "__main__":
    main(sys.argv[1:])
