"""Print how often the intervals of small groups hold: one take, one striker, some 20 notes, a clock test.

    python -m tests.benchmarks.timing_small [first_seed] [n_seeds] [case ...]

Every number of the tables that has an error is held against the truth of the model's own equations: 95 % of the
intervals ± 1.96 standard errors should hold. Numbers that the data cannot tell should be absent, or so wide that they
say so: `told` is how many were told of all that could have been. Pins are 1 ms about their places and one in thirty is
off by 6 to 20 ms. Not the median but the root mean square of the errors told stands beside that of the errors made:
a right error may be larger in one group and smaller in another.
"""

import sys
import time
import warnings
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import felt, timing
from pipeline.timing.data.strikes import strikes_of
from tests import timing_machine

AGAIN = 24  # further takes that the expectations of felt spread and mean lateness are made from


@dataclass
class Case:
    """How groups of one kind are drawn."""

    n_takes: int
    n_strikers: int
    notes: object  # from a generator to the notes
    again: bool = False
    fault: dict = field(default_factory=dict)


def song(n_strikers, bars, density=(0.7, 1.6), sections="ABACAB", rolled=True):
    return lambda chance: timing_machine.make_notes(
        chance, n_strikers, bars=bars, density=density, sections=sections, rolled=rolled
    )


def few(n_notes, n_strikers, even=False):
    """Return a maker of `n_notes` on the half beats of some bars, in an uneven or an even row."""

    def make(chance):
        beat = np.arange(n_notes) / 2 if even else np.sort(chance.choice(2 * n_notes, n_notes, replace=False)) / 2
        striker = np.r_[np.arange(n_strikers), chance.integers(0, n_strikers, n_notes - n_strikers)]
        return timing_machine.notes_of(list(zip(beat, striker, ["x"] * n_notes, strict=True)))

    return make


def clock(bars, same_pin):
    """Return a maker of a clock test: one strike a bar, by one pin each or by the same pin every turn."""

    def make(chance):
        notes = timing_machine.notes_of([(4 * bar, 0, f"bars {bar // 8 * 8 + 1}") for bar in range(bars)])
        place = notes.schema.get_field_index("pin_id")
        pins = pa.array(np.zeros(bars), notes["pin_id"].type)
        return notes.set_column(place, notes.schema.field(place), pins) if same_pin else notes

    return make


CASES = {
    "one take, 12 strikers, 72 bars": Case(1, 12, song(12, 72), again=True),
    "one take, 4 strikers, 24 bars": Case(1, 4, song(4, 24, (1.0, 2.0)), again=True),
    "three takes, 4 strikers, 24 bars": Case(3, 4, song(4, 24, (1.0, 2.0)), again=True),
    "three takes, 1 striker, 48 bars": Case(3, 1, song(1, 48, (2.0, 3.0), rolled=False), again=True),
    "one take, 1 striker, 48 bars": Case(1, 1, song(1, 48, (2.0, 3.0), rolled=False)),
    "three takes, 20 notes, 4 strikers": Case(3, 4, few(20, 4)),
    "one take, 20 notes, 4 strikers": Case(1, 4, few(20, 4)),
    "one take, 20 notes, 1 striker": Case(1, 1, few(20, 1)),
    "one take, 20 notes, 1 striker, even": Case(1, 1, few(20, 1, even=True)),
    "five takes, 20 notes, 1 striker, even": Case(5, 1, few(20, 1, even=True)),
    "clock, one take, 64 bars": Case(1, 1, clock(64, False)),
    "clock, one take, 64 bars, same pin": Case(1, 1, clock(64, True)),
    "clock, three takes, 20 bars": Case(3, 1, clock(20, False)),
    "clock, one take, 20 bars, same pin": Case(1, 1, clock(20, True)),
}


@dataclass
class Tally:
    """Estimates against truth, gathered over groups."""

    error: list = field(default_factory=list)
    se: list = field(default_factory=list)
    possible: int = 0

    def add(self, estimate, truth, se):
        estimate, se = np.atleast_1d(np.asarray(estimate, float)), np.atleast_1d(np.asarray(se, float))
        known = np.isfinite(estimate) & np.isfinite(se)
        self.possible += len(known)
        self.error.extend((estimate - truth)[known])
        self.se.extend(se[known])

    def held(self) -> float:
        return float(np.mean(np.abs(self.error) < 1.96 * np.array(self.se))) if self.error else np.nan

    def line(self, name, scale, unit) -> str:
        if not self.error:
            return f"  {name:14s} none told of {self.possible}"
        rms, own = (np.sqrt(np.mean(np.square(one))) * scale for one in (self.error, self.se))
        return (
            f"  {name:14s} rms {rms:8.3f} {unit:4s} own se {own:8.3f}  95 % intervals hold {100 * self.held():5.1f} %"
            f"  told {len(self.error)} of {self.possible}"
        )


UNITS = {"delay": (1e3, "ms"), "company": (1e3, "ms"), "readiness": (1e3, "ms"), "drag": (100, "%")} | {
    "recovery": (100, "%"), "tempo": (100, "%"), "pin": (1e3, "ms"), "lone pin": (1e3, "ms"),
    "called pin": (1e3, "ms"), "sag": (100, "%"), "sag_max": (100, "%"),
    "felt spread": (1e3, "ms"), "mean lateness": (1e3, "ms"),
}  # fmt: skip


def tallies(case: Case, seeds) -> dict[str, Tally]:
    """Fit the groups of a case and return what they told."""
    found = {name: Tally() for name in UNITS}
    machine = timing_machine.make_machine(case.n_strikers)
    for seed in seeds:
        chance = np.random.default_rng([2031, 6, seed])
        notes = case.notes(chance)
        truth = replace(timing_machine.make_truth(chance, notes, case.n_strikers), **case.fault)
        takes = timing_machine.make_takes(chance, notes, truth, case.n_takes)
        fitted = timing.fit_of(machine, notes, takes)
        made = timing.tables_from(timing_machine.make_group(takes), machine, takes, fitted)
        made = {name: table.to_pandas() for name, table in made.items()}
        _strikers(found, made["strikers"], truth)
        _pins(found, made["pins"], truth)
        _course(found, made, notes, truth)
        if case.again:
            expected = _expected(chance, notes, truth, fitted, machine)
            passages = made["passages"].set_index("passage")
            for name, column in (("felt spread", "felt_sd"), ("mean lateness", "late_mean")):
                told = passages.loc[expected.index]
                found[name].add(told[f"{column}_s"], expected[f"{column}_s"], told[f"{column}_se"])
    return found


def _strikers(found, strikers, truth):
    strikers = strikers.set_index("striker").loc[[f"striker {s}" for s in range(len(truth.delay_s))]]
    heard = (strikers["n_played"] > 0).to_numpy()
    against_s = truth.delay_s - truth.delay_s[heard].mean()
    found["delay"].add(strikers["delay_s"], against_s, strikers["delay_se"])
    for name in ("company", "readiness"):
        found[name].add(strikers[f"{name}_s"], getattr(truth, f"{name}_s"), strikers[f"{name}_se"])
    rate = [np.mean(bpm) for _, bpm in truth.rate if len(bpm)]
    drag = truth.drag * (96 / np.mean(rate)) ** 2
    found["drag"].add(strikers["drag"], drag, strikers["drag_se"])
    known = strikers.dropna(subset="recovery_beats")[:1]
    log_se = known["recovery_se"] / known["recovery_beats"]
    found["recovery"].add(np.log(known["recovery_beats"] / truth.recovery_beats), 0.0, log_se)


def _pins(found, pins, truth):
    pins = pins[pins["n_takes"] > 0]
    alone = pins.groupby("striker")["pin_id"].transform("size").eq(1).to_numpy()
    true_s = np.where(alone, 0.0, truth.pin_s[pins["pin_id"]])  # a single pin of a striker: it is the delay's
    for name, on in (
        ("pin", ~pins["misplaced"] & (pins["n_takes"] > 1)),
        ("lone pin", ~pins["misplaced"] & (pins["n_takes"] == 1)),
        ("called pin", pins["misplaced"]),
    ):
        found[name].add(pins["offset_s"][on], true_s[on], pins["offset_se"][on])


def _course(found, made, notes, truth):
    tempo, passages = made["tempo"], made["passages"].set_index("passage")
    beat, passage = notes["score_beat"].to_numpy(), np.array(notes["passage"].to_pylist())
    sags = {name: [] for name in passages.index}
    sag_max = made["recordings"]
    for number, (course, (half, bpm)) in enumerate(zip(truth.course, truth.rate, strict=True)):
        name = f"take-{number + 1}"
        mine = tempo[(tempo["recording"] == name) & tempo["score_beat"].isin(half)]
        true = np.interp(mine["score_beat"], half, bpm)
        found["tempo"].add(mine["tempo_bpm"] / true, 1, mine["tempo_se"] / true)
        if len(course.score_beat) == 0:
            continue
        at = passage[np.maximum(np.searchsorted(beat, course.score_beat + 1e-9, side="right") - 1, 0)]
        grid = tempo.loc[tempo["recording"] == name, "score_beat"]
        reached = (course.score_beat >= grid.min()) & (course.score_beat <= grid.max())
        for one, lost in sags.items():
            lost.append(course.slow[(at == one) & reached].mean() if ((at == one) & reached).any() else np.nan)
        row = sag_max[sag_max["recording"] == name]
        found["sag_max"].add(row["sag_max"], max(0.0, course.load[reached].max()), row["sag_max_se"])
    for one, lost in sags.items():
        row = passages.loc[[one]]
        found["sag"].add(row["sag"], np.mean(lost), row["sag_se"])


def _expected(chance, notes, truth, fitted, machine):
    """Return what felt spread and mean lateness of every passage come to over many takes of the same machine."""
    more = replace(truth, rate=[], course=[])
    takes = timing_machine.make_takes(chance, notes, more, AGAIN)
    again = strikes_of(takes, fitted.score, machine)
    rows = again.rows[again.rows["played"]].reset_index(drop=True)
    late = []
    for _, line in rows.groupby("line"):
        along_s = line["along_s"].to_numpy()
        late_s = line["hit_s"] - np.polyval(np.polyfit(along_s, line["hit_s"], 1), along_s)
        parts, good = late_s.to_numpy()[:, None], np.ones(len(line), dtype=bool)
        pace = np.polyfit(along_s, line["hit_s"], 1)[0]
        felt_s, _ = felt.felt_of(along_s * pace, line["knot"].to_numpy(), parts, good)
        late.append(line.assign(late_s=late_s, felt_s=felt_s[:, 0]))
    late = pd.concat(late)
    by_track = late.groupby(["passage", "track"])["late_s"].mean().groupby("passage").mean()
    return pd.DataFrame({"felt_sd_s": late.groupby("passage")["felt_s"].std(), "late_mean_s": by_track})


def main(words):
    first, n = (int(words[0]) if words else 1), (int(words[1]) if len(words) > 1 else 40)
    warnings.simplefilter("error")
    for name, case in CASES.items():
        if len(words) > 2 and not any(word in name for word in words[2:]):
            continue
        began = time.time()
        found = tallies(case, range(first, first + n))
        print(f"\n{name}: {n} groups, {(time.time() - began) / n:.2f} s each")
        for quantity, tally in found.items():
            if tally.possible:
                print(tally.line(quantity, *UNITS[quantity]), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
