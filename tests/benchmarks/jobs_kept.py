"""Print whether the jobs of the list win what it promises: carry out the top three in the simulator and count again.

    python -m tests.benchmarks.jobs_kept [demo|model|healthy] [first_seed] [n_machines] [n_takes]

`demo` is the physical simulator of demo/, `model` draws from the model's own equations (tests/timing_machine.py),
`healthy` is both without faults: there the list should be empty. Noticed faults are counted on the truth of fresh
playthroughs, the same chance before and after the work, by the listener of the pipeline (`hearing`, `felt_of`) and
without any fit. The load promises nothing ('at most'), and nothing in these machines could be done about it: it is no
job here.
"""

import json
import re
import sys
import time
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from pipeline import felt, hearing, tables, timing, worklist
from pipeline.settings import Arrangement, Detection, Settings
from tests import timing_machine

FRESH = 6  # playthroughs before and after
TOP = 3
WITHIN = 0.3
GOAL_KEPT, GOAL_EMPTY = 0.8, 0.9


@dataclass(frozen=True, eq=False)
class Played:
    """What one playthrough sounds like: the notes' strikes (NaN: missed) and the extra strikes."""

    strike_s: np.ndarray
    extra_s: np.ndarray
    extra_row: np.ndarray  # striker, from 0
    extra_kind: np.ndarray
    extra_db: np.ndarray  # against the strikes


class DemoMachine:
    """The physical simulator: drags from energies, a belt that does not hold its phase, heavy tails, rebounds."""

    def __init__(self, seed, healthy=False):
        self.seed, self.machine = seed, draws.random_machine(12, seed)
        self.notes = tunes.notes_table(tunes.random_tune(12, 60 + seed % 31, seed), self.machine)
        self.faults = draws.random_faults(self.machine, self.notes, seed)
        if healthy:
            none, n = simulator.no_faults(self.machine, self.notes), len(self.machine.strikers)
            self.faults = replace(none, jitter_s=np.full(n, 0.0012), jitter_df=6.0)
            self.faults.pin_s[:] = np.random.default_rng([seed, 13]).normal(0, 0.0005, len(none.pin_s))
        self.pin_s, self.delay_s = self.faults.pin_s, self.faults.delay_s
        self.mm_per_s = simulator.nominal_rad_per_s(self.notes) * self.machine.barrel.diameter_mm / 2

    def play(self, number) -> Played:
        crew = draws.random_crew(self.machine, self.notes, self.faults, self.seed * 1000 + number)
        take = simulator.simulate(self.machine, self.notes, self.faults, crew, self.seed * 1000 + number)
        strike_s, struck = np.full(len(self.notes), np.nan), ~take.strikes.missed
        strike_s[take.strikes.note_id[struck]] = take.strikes.strike_s[struck]
        names = [one.name for one in self.machine.strikers]
        rows = np.array([names.index(name) for name in take.extras.striker], dtype=int)
        fall_db = take.extras.level_db - self.faults.level_db[rows]
        return Played(strike_s, take.extras.strike_s, rows, take.extras.kind, fall_db)

    def even(self, row):
        self.faults.company_s[row] = self.faults.readiness_s[row] = 0.0

    def mend(self, name, rows, usual):
        rate = getattr(self.faults, name)
        rate[rows] = np.median(rate) if usual else 0.0

    def mend_pin(self, pin):
        self.faults.pin_miss[pin] = 0.0


class ModelMachine:
    """The model's own equations: one row late, one striker late in company and one soon after its own last strike."""

    def __init__(self, seed, healthy=False, bars=None):
        chance = np.random.default_rng([seed, 14])
        self.seed, self.machine = seed, timing_machine.make_machine()
        self.notes = timing_machine.make_notes(chance, bars=bars or 60 + seed % 31, density=(0.7, 1.6))
        self.truth = timing_machine.make_truth(chance, self.notes)
        if healthy:
            zero = np.zeros(12)
            self.truth = timing_machine.Truth(
                zero, zero.copy(), zero.copy(), zero.copy(), chance.normal(0, 0.0005, len(self.notes)), missed=0.0
            )
        else:
            self.truth.company_s[0], self.truth.readiness_s[1] = (
                chance.uniform(0.003, 0.006),
                chance.uniform(0.004, 0.01),
            )
            self.truth.delay_s[2] += 0.012
        self.pin_s, self.delay_s = self.truth.pin_s, self.truth.delay_s
        self.mm_per_s = np.pi * 420 / (timing_machine.BEATS_PER_TURN * timing_machine.BEAT_S)

    def play(self, number) -> Played:
        chance = np.random.default_rng([self.seed, number, 15])
        take = timing_machine.make_take(chance, self.notes, self.truth)
        strike_s = take.aligned.to_pandas().sort_values("note_id")["hit_s"].to_numpy(dtype=float)
        none = np.zeros(0)
        return Played(strike_s, none, none.astype(int), none.astype(object), none)

    def even(self, row):
        self.truth.company_s[row] = self.truth.readiness_s[row] = 0.0

    def mend(self, name, rows, usual):
        if name == "miss_rate" and not usual:
            self.truth.missed = 0.0

    def mend_pin(self, pin):
        raise AssertionError("no pin of this machine misses by itself")


KINDS = {"demo": DemoMachine, "model": ModelMachine}


def heard(machine, number) -> timing.Take:
    """Return a playthrough as the stage aligned hands it on, its extra strikes too."""
    played, names = machine.play(number), [one.name for one in machine.machine.strikers]
    take = timing_machine.take_of(
        machine.notes,
        played.strike_s,
        np.isnan(played.strike_s),
        np.ones(len(machine.notes), int),
        f"take-{number}",
        clicks=played.extra_s,
    )
    if not len(played.extra_s):
        return take
    hits, aligned = take.hits.to_pandas(), take.aligned.to_pandas()
    extra = hits.index[hits["kind"] == "click"]
    at = np.argsort(np.argsort(played.extra_s))
    order = np.argsort(hits.loc[extra, "hit_s"].to_numpy())[at]
    rows = extra[order]
    said = np.array(names, dtype=object)[played.extra_row]
    hits.loc[rows, "kind"] = np.where(played.extra_kind == "rebound", "rebound", "strike")
    hits.loc[rows, "striker"], hits.loc[rows, "level_db"] = said, -12.0 + played.extra_db
    more = aligned.iloc[np.zeros(len(rows), int)].assign(status="extra", striker=said, shared=1, confidence=np.nan)
    more = more.assign(hit_s=hits.loc[rows, "hit_s"].to_numpy(), hit_id=hits.loc[rows, "hit_id"].to_numpy())
    for column in ("note_id", "pin_id", "bar", "beat_in_bar", "passage", "score_beat", "score_s"):
        more[column] = None
    aligned = pd.concat([aligned, more], ignore_index=True)
    made = {name: _table(name, frame) for name, frame in (("hits", hits), ("aligned", aligned))}
    return replace(take, **made)


def list_of(machine, n_takes) -> pd.DataFrame:
    """Let the machine play, and return its work list."""
    takes = [heard(machine, number) for number in range(n_takes)]
    group = timing_machine.make_group(takes)
    made = timing.tables_of(group, machine.machine, machine.notes, takes)
    recordings = tuple(take.recording for take in takes)
    settings = Settings(
        "c", "r", None, (Arrangement("song", "s.mid"),), machine.machine, (), (), Detection(), recordings
    )
    aligned = {take.recording.recording: take.aligned for take in takes}
    given = {name: made[name] for name in ("strikers", "pins", "recordings")}
    at = {name: {group.id: made[name]} for name in ("lateness", "tempo")}
    listed = worklist.jobs(settings, at["lateness"], at["tempo"], aligned, {"song": machine.notes}, **given)
    return listed.to_pandas()


def carry_out(machine, job) -> None:
    """Do what the job says: a pin that goes forward strikes sooner, a lever that goes backward too."""
    names = [one.name for one in machine.machine.strikers]
    rows = [names.index(job.where)] if job.where in names else list(range(len(names)))
    text = job.correction
    if job.part == "pin" and "missed" not in job.finding:
        notes = machine.notes.to_pandas()
        for place in json.loads(job.places):
            pin = notes[(notes["score_beat"] == place["score_beat"]) & (notes["striker"] == place["striker"])]["pin_id"]
            machine.pin_s[pin] -= round(place["move_mm"], 1) / machine.mm_per_s
    elif job.part == "pin":
        for place in json.loads(job.places):
            machine.mend_pin(place["pin_id"])
    elif moved := re.match(r"move its lever ([\d.]+) mm (forward|backward)", text):
        machine.delay_s[rows] += float(moved[1]) * (1 if moved[2] == "forward" else -1) / machine.mm_per_s
    elif text.startswith("mend its delay"):
        late = re.match(r"strikes ([\d.]+) ms .*(later|earlier) than", job.finding)
        machine.delay_s[rows] -= float(late[1]) / 1000 * (1 if late[2] == "later" else -1)
    elif "later when one other" in job.finding or "soon after its own" in job.finding:
        machine.even(rows)
    elif "strikes missed" in job.finding:
        machine.mend("miss_rate", rows, job.where in names)
    elif "bounces" in job.finding:
        machine.mend("rebound_rate", rows, job.where in names)
    elif "double or stray" in job.finding:
        machine.mend("double_rate", rows, job.where in names)
    else:
        raise AssertionError(f"not known how to do: {job.where}: {text}")


def faults_of(machine, number) -> float:
    """Count the noticed faults of a playthrough on what was truly struck."""
    played, notes = machine.play(number), machine.notes.to_pandas()
    struck = ~np.isnan(played.strike_s)
    rows = notes[struck].assign(hit_s=played.strike_s[struck]).sort_values(["score_s", "note_id"])
    pace, start_s = np.polyfit(rows["score_s"], rows["hit_s"], 1)
    place_s = pace * rows["score_s"].to_numpy()
    late_s = rows["hit_s"].to_numpy() - start_s - place_s
    chord = np.unique(rows["score_beat"], return_inverse=True)[1]
    felt_s, felt_se = felt.felt_of(place_s, chord, late_s[:, None], np.ones(len(rows), bool))
    onset_s = np.unique(place_s)
    gap_s = np.diff(onset_s, prepend=np.nan)[np.searchsorted(onset_s, place_s)]
    displaced = np.abs(felt_s[:, 0]) > felt.limit_s(gap_s, felt_se)
    return float(
        hearing.chord_faults(chord, late_s, displaced, np.ones(len(rows))).sum() + (~struck).sum() + len(played.extra_s)
    )


def wins(machine, jobs) -> list[float]:
    """Carry the jobs out one after the other, and return by how many fewer faults are noticed after each."""
    fresh = range(100, 100 + FRESH)
    before, won = np.mean([faults_of(machine, number) for number in fresh]), []
    for job in jobs:
        carry_out(machine, job)
        after = np.mean([faults_of(machine, number) for number in fresh])
        won.append(float(before - after))
        before = after
    return won


def kept(kind, seed, n_takes, say=print, **size) -> bool | None:
    """Tell whether the top jobs of a machine win together what they promise; None for an empty list."""
    machine = KINDS[kind](seed, **size)
    listed = list_of(machine, n_takes)
    jobs = [job for job in listed.itertuples() if job.part != "load"][:TOP]
    if not jobs:
        return None
    won, promised = wins(machine, jobs), sum(job.gain_noticed for job in jobs)
    good = abs(sum(won) - promised) <= WITHIN * promised
    say(f"{kind} {seed}: won {sum(won):6.1f} of {promised:6.1f} promised {'' if good else '  NOT KEPT'}")
    for job, one in zip(jobs, won, strict=True):
        inside = "" if job.gain_low <= one <= job.gain_high else " outside"
        said = f"{job.gain_noticed:6.1f} ({job.gain_low:5.1f} to {job.gain_high:5.1f}) won {one:6.1f}{inside}"
        say(f"    {said}: {job.where}: {job.finding[:60]}")
    return good


def main(kind="demo", first=3000, n_machines=20, n_takes=3):
    seeds = range(int(first), int(first) + int(n_machines))
    began = time.time()
    if kind == "healthy":
        lists = [list_of(KINDS[one](seed, healthy=True), int(n_takes)) for seed in seeds for one in KINDS]
        for made in lists:
            for job in made.itertuples():
                print(f"    {job.gain_noticed:.1f}: {job.where}: {job.finding}")
        empty = sum(not len(made) for made in lists)
        print(f"without faults: list empty in {empty} of {len(lists)} (goal {GOAL_EMPTY:.0%})")
    else:
        told = [kept(kind, seed, int(n_takes)) for seed in seeds]
        listed = [one for one in told if one is not None]
        print(f"{kind}: kept within {WITHIN:.0%} by {sum(listed)} of {len(listed)} machines with jobs", end=" ")
        print(f"(goal {GOAL_KEPT:.0%}), {len(told) - len(listed)} without")
    print(f"{time.time() - began:.0f} s")


def _table(name, frame):
    columns = {column: [None if pd.isna(one) is True else one for one in frame[column]] for column in frame}
    return tables.build(name, columns)


if __name__ == "__main__":
    main(*sys.argv[1:])
