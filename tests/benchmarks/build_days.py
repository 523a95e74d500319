"""Play a machine on two build days, change some things between them, and ask what became of each.

`python -m tests.benchmarks.build_days [PAIRS [SEED]]` prints, over that many pairs of days of the model's machine (12
strikers, 72 bars, three takes a day) with fresh seeds: comparisons without any change in which something is called
changed; moved pins that are called so, and how far their size is off; pins left alone that are called changed.

`python -m tests.benchmarks.build_days quantities [PROJECTS [SEED]]` does the same for the quantities of the takes, on
projects of three equal days of a small machine (6 strikers, 24 bars): comparisons of a day and the one before with a
false verdict, and changes called of 1.5 × what another such project says to be detectable.
"""

import sys
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import settings, tables, timing, trend
from pipeline.trend.trend_table import SPREADS
from tests import timing_machine

FIRST = date(2031, 5, 3)
GIVEN = ("recordings", "pins", "strikers", "shafts", "budget")
CHANGED = ("moved", "mended", "worse", "new")


@dataclass
class Day:
    """One build day: its group and its tables."""

    group: settings.Group
    made: dict


def play(chance, notes, truth, day, n_takes=3, n_strikers=12, arrangement="song", setup="") -> Day:
    """Play the machine on a day and explain it."""
    names = [f"{arrangement}-{day}-{k + 1}" for k in range(n_takes)]
    takes = timing_machine.make_takes(chance, notes, truth, n_takes, names=names)
    when = FIRST + timedelta(day)
    takes = [
        replace(take, recording=replace(take.recording, build_day=when, arrangement=arrangement, setup=setup))
        for take in takes
    ]
    group = settings.Group(arrangement, when, 1, setup, tuple(take.recording for take in takes))
    return Day(group, timing.tables_of(group, timing_machine.make_machine(n_strikers), notes, takes))


def settings_of(days, n_strikers=12) -> settings.Settings:
    """Return the configuration of these days."""
    machine = timing_machine.make_machine(n_strikers)
    names = sorted({day.group.arrangement for day in days})
    return settings.Settings(
        path="machine.yaml",
        results="results",
        baseline=None,
        arrangements=tuple(settings.Arrangement(name, f"{name}.mid") for name in names),
        machine=machine,
        setups=tuple((day.group.setup, machine) for day in days if day.group.setup),
        rigs=(),
        detection=settings.Detection(),
        recordings=tuple(take for day in days for take in day.group.recordings),
    )


def changes(days, songs, asked=None, n_strikers=12) -> pd.DataFrame:
    """Return the table 'changes' of these days."""
    given = {name: pa.concat_tables([day.made[name] for day in days]) for name in GIVEN}
    asked = tables.empty("asked") if asked is None else asked
    return trend.changes(settings_of(days, n_strikers), songs, asked, **given).to_pandas()


def moved(chance, truth, n=10, least_s=0.006, most_s=0.02):
    """Return a truth with `n` pins moved, and by how much each."""
    by_s = np.zeros(len(truth.pin_s))
    which = chance.choice(len(by_s), n, replace=False)
    by_s[which] = chance.uniform(least_s, most_s, n) * chance.choice([-1, 1], n)
    return replace(truth, pin_s=truth.pin_s + by_s), by_s


def fresh(truth):
    """Return the same machine with nothing remembered of earlier takes."""
    return replace(truth, rate=[], course=[])


def pair(seed, change=True, bars=72, n_takes=3, jitter_df=np.inf):
    """Play two days; return the table 'changes' and by how much each pin was moved."""
    chance = np.random.default_rng(seed)
    notes = timing_machine.make_notes(chance, bars=bars, density=(0.7, 1.6))
    truth = timing_machine.make_truth(chance, notes)
    truth.jitter_df = jitter_df
    after, by_s = moved(chance, truth) if change else (truth, np.zeros(len(truth.pin_s)))
    days = [play(chance, notes, fresh(one), day, n_takes) for day, one in enumerate((truth, after))]
    return changes(days, {"song": notes}), by_s


def tried(pairs, seed, **odd):
    """Count over pairs of days: verdicts without a change, moved pins found and their errors, innocents called."""
    counted = {"pairs": 0, "pairs with a false verdict": 0, "pins": 0, "false": 0, "moved": 0, "found": 0}
    errors, held = [], []
    for number in range(pairs):
        still, none_s = pair([seed, number, 0], change=False, **odd)
        called = still["verdict"].isin(CHANGED)
        counted["pairs"] += 1
        counted["pairs with a false verdict"] += called.any()
        made, by_s = pair([seed, number, 1], **odd)
        for frame, size_s in ((still, none_s), (made, by_s)):
            pins = frame[(frame["kind"] == "pin") & (frame["quantity"] == "place")]
            true = size_s[pins["thing"].str.removeprefix("pin ").astype(int)]
            was_called = pins["verdict"].isin(CHANGED).to_numpy()
            known = pins["change"].notna().to_numpy()
            counted["pins"] += int((true == 0).sum())
            counted["false"] += int((was_called & (true == 0)).sum())
            counted["moved"] += int((true != 0).sum())
            counted["found"] += int((was_called & (true != 0)).sum())
            found = was_called & (true != 0)
            errors += list((pins["change"].to_numpy(float) - true)[found])
            inside = (pins["change_low"] <= true) & (true <= pins["change_high"])
            held.append(bool(inside[known].all()))
    return counted, np.array(errors), held


KINDS = {"three takes": {}, "two takes": {"n_takes": 2}, "scatter with heavy tails": {"jitter_df": 4}}


def equal_days(seed, n_takes, n_days=3) -> pd.DataFrame:
    """Play a small machine on equal days; return the table 'recordings'."""
    chance = np.random.default_rng(seed)
    notes = timing_machine.make_notes(chance, 6, bars=24, density=(0.7, 1.6), sections="AB")
    truth = timing_machine.make_truth(chance, notes, 6)
    days = [play(chance, notes, fresh(truth), day, n_takes, 6) for day in range(n_days)]
    return pd.concat([day.made["recordings"].to_pandas() for day in days], ignore_index=True)


def against_previous(recordings: pd.DataFrame) -> pd.DataFrame:
    """Return each day against the one before it."""
    table = tables.build("recordings", {name: list(recordings[name]) for name in recordings})
    made = trend.trend(table, None).to_pandas()
    return made[made["against"].eq("previous") & made["change"].notna()]


def quantities_tried(projects, seed, n_takes) -> tuple[list[bool], dict]:
    """Return which comparisons have a false verdict, and by quantity which changes were called."""
    false, called, times = [], {}, pd.Series(dtype=float)
    for number in range(projects):
        recordings = equal_days([seed, n_takes, number], n_takes)
        last = recordings["build_day"].eq(recordings["build_day"].max())
        made = against_previous(recordings)
        false += made["verdict"].isin(["better", "worse"]).groupby(made["build_day"]).any().tolist()
        worse = recordings.assign(
            **{name: recordings[name].where(~last, recordings[name] * by) for name, by in times.items()}
        )
        found = against_previous(worse)
        found = found[found["build_day"].eq(found["build_day"].max())].set_index("quantity")["verdict"]
        for name in times.index.intersection(found.index):
            called.setdefault(name, []).append(found[name] == "worse")
        # What is detectable is told by this project, and tried on the chance of the next.
        made = made[made["build_day"].eq(made["build_day"].max()) & made["quantity"].isin(SPREADS)].set_index(
            "quantity"
        )
        times = (1 + 1.5 * made["detectable"] / (made["value"] - made["change"])).dropna()
    return false, called


def main_of_quantities(projects=50, seed=1):
    for n_takes in (2, 3):
        false, called = quantities_tried(projects, seed, n_takes)
        every = ", ".join(f"{name} {np.mean(some):.2f}" for name, some in called.items())
        share = np.mean([one for some in called.values() for one in some])
        print(f"{n_takes} takes a day: {sum(false)} of {len(false)} comparisons with a false verdict")
        print(f"  changes of 1.5 × detectable called: {share:.3f} ({every})", flush=True)


def main(pairs=20, seed=1):
    for name, odd in KINDS.items():
        counted, errors, held = tried(pairs, seed, **odd)
        print(f"{name}: {counted}")
        left = 1 - counted["false"] / counted["pins"]
        off_ms = np.abs(errors) * 1e3
        print(
            f"  found {counted['found'] / counted['moved']:.3f}; left alone {left:.5f}; size off by "
            f"{np.median(off_ms):.2f} ms (median), {np.sqrt(np.mean(off_ms**2)):.2f} ms (rms); all intervals hold at "
            f"once in {np.mean(held):.3f}",
            flush=True,
        )


if __name__ == "__main__":
    if sys.argv[1:2] == ["quantities"]:
        main_of_quantities(*map(int, sys.argv[2:]))
    else:
        main(*map(int, sys.argv[1:]))
