"""Print how long the timing stage takes, and how much memory, at 20 takes × 4000 notes and at half of each.

    python -m tests.benchmarks.timing_speed

Goals on two cores: 20 × 4000 in under 60 s and 1.5 GB; twice the hits at most 2.2 × the time.
"""

import resource
import sys
import time

import numpy as np

from pipeline import timing
from tests import timing_machine


def seconds(n_takes, bars, seed=1):
    """Return how many hits the case has and how long `tables_of` works (processor time) and takes (clock)."""
    chance = np.random.default_rng([2031, seed])
    notes = timing_machine.make_notes(chance, n_strikers=16, bars=bars, density=(0.7, 1.5), sections="ABACAB" * 4)
    truth = timing_machine.make_truth(chance, notes, 16)
    takes = timing_machine.make_takes(chance, notes, truth, n_takes)
    group, machine = timing_machine.make_group(takes), timing_machine.make_machine(16)
    began, worked = time.perf_counter(), time.process_time()
    timing.tables_of(group, machine, notes, takes)
    return len(notes) * n_takes, time.process_time() - worked, time.perf_counter() - began


def main():
    before = None
    for n_takes, bars in ((20, 150), (20, 300)) if len(sys.argv) < 2 else ((20, 300),):
        hits, worked, took = seconds(n_takes, bars)
        peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        ratio = f"{worked / before[1]:.2f} × the time for {hits / before[0]:.2f} × the hits" if before else ""
        print(
            f"{n_takes} takes, {hits} notes: {worked:.1f} s of processor, {took:.1f} s by the clock, "
            f"peak {peak_gb:.2f} GB  {ratio}",
            flush=True,
        )
        before = hits, worked


if __name__ == "__main__":
    main()
