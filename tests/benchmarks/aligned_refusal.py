"""Print the score that separates recordings that belong to an arrangement from those that do not.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.aligned_refusal [pairs per kind] [first seed]

Right: takes of the simulated workshop, easy and hard, whole and in part, with the tune they were struck from. Wrong:
the same takes with another tune for the same strikers, and hits at random, in loose and in even rows. A positive score
is accepted, a negative one refused.
"""

import sys
import time

import numpy as np

from pipeline.aligned import align
from tests import aligned_takes as takes

KINDS = ({}, {"hard": True}, {"crew": takes.some_bars}, {"hard": True, "crew": takes.some_bars})


def other_tune(seed, names):
    """Return notes of another random tune, on these strikers."""
    other = takes.simulate(seed + 500_000, named=False)
    theirs = sorted({one.name for one in other.machine.strikers})
    ours = [names[theirs.index(one) % len(names)] for one in other.notes["striker"].to_pylist()]
    return takes.make_notes(other.notes["score_s"].to_numpy(), ours)


def noise(seed, names, named, length_s, count):
    """Return hits that no tune made: at random, in a loose rhythm, or like a clock."""
    chance = np.random.default_rng([seed, 77])
    kind = seed % 3
    if kind == 0:
        hit_s = np.sort(chance.uniform(0, length_s, count))
    elif kind == 1:
        hit_s = np.cumsum(chance.gamma(8, length_s / count / 8, count))
    else:
        hit_s = 1 + np.arange(count) * length_s / count + chance.normal(0, 0.002, count)
    return takes.make_hits(hit_s, list(chance.choice(names, count)) if named else None)


def scores(named, count, first):
    """Return scores of right pairs and of wrong ones."""
    right, wrong = [], []
    for seed in range(first, first + count):
        case = takes.simulate(seed, named=named, **KINDS[seed % len(KINDS)])
        names = [one.name for one in case.machine.strikers]
        right.append(takes.align_simulated(case)[1]["score"])
        wrong.append(align(other_tune(seed, names), case.hits, takes.RECORDING, case.rig, case.machine)[1]["score"])
        if seed % 3 == 0:
            hits = noise(seed // 3, names, named, float(np.ptp(case.notes["score_s"].to_numpy())), len(case.hits))
            rig = None if named else case.rig
            wrong.append(align(case.notes, hits, takes.RECORDING, rig, case.machine)[1]["score"])
    return np.array(right), np.array(wrong)


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 60_000
    for named in (True, False):
        before = time.process_time()
        right, wrong = scores(named, count, first)
        print(
            f"{'named' if named else 'nameless':9s} right {len(right)}: refused {np.sum(right < 0)}, "
            f"lowest {np.round(np.sort(right)[:4], 1)}, median {np.median(right):.1f} | "
            f"wrong {len(wrong)}: accepted {np.sum(wrong >= 0)}, highest {np.round(np.sort(wrong)[-4:], 1)}, "
            f"median {np.median(wrong):.1f}   ({time.process_time() - before:.0f} s)",
            flush=True,
        )


if __name__ == "__main__":
    main()
