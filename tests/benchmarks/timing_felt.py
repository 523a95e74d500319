"""Compare the felt ruler with the least squares line through the bar before, on machines with known truth.

    python -m tests.benchmarks.timing_felt [first_seed] [n_seeds]

What is true of a strike is its distance from where the machine itself was (slow motion and load). Told per score and
machine: strikes with a felt beat; of those that are off by less than is noticed, how many are called all the same; of
the pins 12 to 25 ms out of place, how many are found; the spread and the greatest of felt_s less the truth (ms); root
mean square of the beat's error over its own standard error (1: honest; above: too sure).
"""

import sys
from dataclasses import dataclass, replace

import numpy as np

from pipeline import felt
from tests import timing_machine

BAR_S = 4 * timing_machine.BEAT_S
# Strikers, density of two kinds of passages, rolls of striker 1 every other bar.
SCORES = {
    "dense": (12, (0.7, 1.6), True),
    "middle": (6, (0.8, 1.6), True),
    "sparse": (4, (0.6, 1.2), False),
    "rolls": (4, (0.15, 0.3), True),
}
# Wander of the speed (a ratio), drag of a strike, share of pins out of place.
MACHINES = {"slow": (0.001, 0.001, 0.0), "loaded": (0.005, 0.005, 0.0), "displaced": (0.002, 0.002, 0.03)}


@dataclass
class Line:
    """One take of 60 bars, its missed strikes left out."""

    place_s: np.ndarray
    chord: np.ndarray
    late_s: np.ndarray
    true_s: np.ndarray  # distance of the strike from where the machine was
    far: np.ndarray  # its pin is out of place
    noticed_s: np.ndarray


@dataclass
class Tally:
    """Counts of one score and machine, of one ruler."""

    n: int = 0
    innocent: int = 0
    called: int = 0  # of the innocent
    far: int = 0
    found: int = 0
    square: float = 0.0
    worst_s: float = 0.0
    error2: float = 0.0

    def add(self, line: Line, felt_s, felt_se, noticed_from_s) -> None:
        judged = np.isfinite(felt_s) & np.isfinite(line.noticed_s)
        noticed = judged & (np.abs(felt_s) > noticed_from_s)
        off = np.abs(line.true_s) > line.noticed_s
        away_s = (felt_s - line.true_s)[judged]
        self.n += judged.sum()
        self.innocent += (judged & ~off).sum()
        self.called += (noticed & ~off).sum()
        self.far += (judged & off & line.far).sum()
        self.found += (noticed & off & line.far).sum()
        self.square += (away_s**2).sum()
        self.worst_s = max(self.worst_s, np.abs(away_s).max(initial=0))
        self.error2 += ((away_s / felt_se[judged]) ** 2).sum()


def make_line(seed: int, score: str, machine: str) -> Line:
    """Play one take; delays of ±4.5 ms, evenly spaced over the strikers, scatter 1.5 ms, pins 1 ms."""
    n, density, rolled = SCORES[score]
    speed_sd, drag, misplaced = MACHINES[machine]
    chance = np.random.default_rng(seed)
    notes = timing_machine.make_notes(chance, n, bars=60, density=density, rolled=rolled)
    truth = timing_machine.make_truth(chance, notes, n, misplaced=0.0)
    far = chance.random(len(notes)) < misplaced
    out_s = far * chance.uniform(0.012, 0.025, len(notes)) * chance.choice([-1, 1], len(notes))
    truth = replace(truth, speed_sd=speed_sd, drag=truth.drag * drag / 0.005 * min(1, 6 / n))
    truth = replace(truth, delay_s=chance.permutation(np.linspace(-0.0045, 0.0045, n)), pin_s=truth.pin_s + out_s)
    again = int(chance.integers(1 << 30))

    def played(truth):
        take = timing_machine.make_take(np.random.default_rng(again), notes, truth).aligned.to_pandas()
        return take[take["status"] == "played"].sort_values("note_id")

    hits = played(truth)
    # The same chance, nothing wrong with the strikes: where the machine was.
    there = played(replace(truth, delay_s=np.zeros(n), pin_s=np.zeros(len(notes)), jitter_s=0.0))
    place_s, hit_s = hits["score_s"].to_numpy(), hits["hit_s"].to_numpy()
    at_s, chord = np.unique(place_s.round(6), return_inverse=True)
    noticed_s = felt.noticed_from_s(np.diff(at_s, prepend=np.nan))[chord]
    late_s = hit_s - np.polyval(np.polyfit(place_s, hit_s, 1), place_s)
    return Line(place_s, chord, late_s, hit_s - there["hit_s"].to_numpy(), far[hits["note_id"].astype(int)], noticed_s)


def of_filter(line: Line):
    """Return felt_s, felt_se and from where a strike is noticed."""
    felt_s, felt_se = felt.felt_of(line.place_s, line.chord, line.late_s[:, None], np.ones(len(line.chord), bool))
    return felt_s[:, 0], felt_se, np.hypot(line.noticed_s, felt.SURELY * felt_se)


def of_bar_before(line: Line):
    """Return the same of the line through the strikes of the bar before (4 at least, spanning a beat)."""
    felt_s, felt_se = np.full(len(line.chord), np.nan), np.full(len(line.chord), np.nan)
    first = np.searchsorted(line.place_s, line.place_s - BAR_S - 1e-6)
    last = np.searchsorted(line.place_s, line.place_s - 1e-6)
    for k, (begin, end) in enumerate(zip(first, last, strict=True)):
        x, y = line.place_s[begin:end] - line.place_s[k], line.late_s[begin:end]
        if len(x) < 4 or np.ptp(x) < timing_machine.BEAT_S - 1e-6:
            continue
        slope, beat_s = np.polyfit(x, y, 1)
        scatter2 = ((y - beat_s - slope * x) ** 2).sum() / max(len(x) - 2, 1)
        felt_s[k] = line.late_s[k] - beat_s
        felt_se[k] = np.sqrt(scatter2 * (1 / len(x) + x.mean() ** 2 / ((x - x.mean()) ** 2).sum()))
    return felt_s, felt_se, line.noticed_s


def tallies(score: str, machine: str, seeds) -> tuple[Tally, Tally]:
    """Return the counts of the felt ruler and of the bar before."""
    both = Tally(), Tally()
    for seed in seeds:
        line = make_line(seed, score, machine)
        both[0].add(line, *of_filter(line))
        both[1].add(line, *of_bar_before(line))
    return both


if __name__ == "__main__":
    first, n_seeds = (int(word) for word in (sys.argv[1:] + ["7000", "10"][len(sys.argv) - 1 :]))
    for score in SCORES:
        for machine in MACHINES:
            found = tallies(score, machine, range(first, first + n_seeds))
            for name, tally in zip(("filter", "bar before"), found, strict=True):
                print(
                    f"{score:7}{machine:10}{name:11} {tally.n:6} judged  called {tally.called / tally.innocent:6.1%}  "
                    f"found {tally.found:3} of {tally.far:3}  ±{1e3 * np.sqrt(tally.square / tally.n):.1f}  "
                    f"worst {1e3 * tally.worst_s:.0f}  error/se {np.sqrt(tally.error2 / tally.n):.1f}"
                )
