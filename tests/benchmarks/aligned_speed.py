"""Print what the alignment costs: start-up, seconds per 1000 notes, memory, at 1000 and at 20 000 notes.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.aligned_speed

Every size runs in a process of its own. Seconds are process time on one core; memory is the peak of the whole process
with numpy, pyarrow and the compiled search in it, and how much of it came on top of what importing and reading cost.
Goals: .15 s per 1000 notes named, .3 nameless (2 with an unknown start); 300 MB for 20 000 × 20 000.
"""

import resource
import subprocess
import sys
import time

SIZES = (1000, 20_000)


def measure(n_notes, named):
    """Print one line: a take of so many notes, played with 10 % wander, 5 % missed, 5 % strays, 6 ms scatter."""
    import_s = -time.process_time()
    from pipeline.aligned import align

    import_s += time.process_time()
    import numpy as np

    from tests import aligned_takes as takes

    chance = np.random.default_rng(n_notes)
    score_s = np.cumsum(chance.choice([0.125, 0.25, 0.25, 0.5], n_notes))
    names = [f"striker {one}" for one in chance.integers(0, 24, n_notes)]
    pace = np.convolve(chance.normal(0, 0.1, n_notes + 40), np.ones(40) / 40**0.5, "valid")[:n_notes]
    hit_s = 2 + np.cumsum(np.diff(score_s, prepend=0) * np.exp(pace)) + chance.normal(0, 0.006, n_notes)
    kept = np.flatnonzero(chance.random(n_notes) > 0.05)
    strays = chance.uniform(hit_s[0], hit_s[-1], n_notes // 20)
    times = np.concatenate((hit_s[kept], strays))
    who = [names[k] for k in kept] + [names[k] for k in chance.integers(0, n_notes, len(strays))]
    order = np.argsort(times)
    notes, machine = takes.make_notes(score_s, names), takes.make_machine(names)
    hits = takes.make_hits(times[order], [who[k] for k in order] if named else None)
    rig = None if named else takes.ONE_MICROPHONE
    little = takes.make_song(1)
    load_s = -time.process_time()
    small = takes.make_notes(*little), takes.make_hits(1 + little[0], little[1] if named else None)
    align(*small, takes.RECORDING, rig, takes.make_machine(little[1]))
    load_s += time.process_time()
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    worked = time.process_time()
    table, said = align(notes, hits, takes.RECORDING, rig, machine)
    worked = time.process_time() - worked
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    found = takes.hit_of(table)
    right = sum(abs(times[order][hit] - hit_s[note]) < 1e-9 for note, hit in found.items())
    print(
        f"{'named' if named else 'nameless':9s} {n_notes:6d} notes: import {import_s:.2f} s, load {load_s:.2f} s, "
        f"{1000 * worked / n_notes:.3f} s per 1000 notes, peak {peak_mb:.0f} MB (+{peak_mb - before_mb:.0f}), "
        f"right {right / max(len(found), 1):.4f} of {len(found)} {said['refused']}",
        flush=True,
    )


def main():
    if len(sys.argv) > 1:
        measure(int(sys.argv[1]), sys.argv[2] == "named")
        return
    for named in ("named", "nameless"):
        for n_notes in SIZES:
            subprocess.run([sys.executable, "-m", "tests.benchmarks.aligned_speed", str(n_notes), named], check=True)


if __name__ == "__main__":
    main()
