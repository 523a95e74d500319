"""Print how well the takes on one inertia foresee the takes on another, beside the goals.

    python -m tests.benchmarks.what_if [demo|free|model] [n_machines] [first_seed] [ratio]

The same machine is played on its own inertia and on `ratio` times as much, by the same crew: two groups of three takes.
`demo` is the physical simulator of demo/ with a crew that follows a click, `free` the same without one, `model` the
equations of tests/timing_machine.py, in which another inertia means drags / κ, recovery × κ and a speed that wanders
1/√κ as much over κ times as many beats. The truth of the loss of speed is that of a crew of even torque. What is
foreseen comes through the tables 'inertia' and 'setups', as in a report.
"""

import sys
import time
from dataclasses import replace
from datetime import timedelta

import numpy as np

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from pipeline import timing, trend
from pipeline.settings import Arrangement, Channel, Detection, Group, Rig, Settings
from tests import timing_machine

N_TAKES = 3
QUANTITIES = {
    "sag_max": ("sag_max", "", "loss of speed by load", "20 %"),
    "felt_sd_s": ("felt_sd", "_s", "felt spread", "25 %"),
    "steady_1": ("steady_1", "", "steadiness, 1 bar", ""),
    "steady_4": ("steady_4", "", "steadiness, 4 bars", ""),
    "click_sd_s": ("click_sd", "_s", "distance from the click", "in its interval"),
}


def main(arguments) -> None:
    """Print the table of one kind of machine."""
    kind = arguments[0] if arguments else "demo"
    n, first, ratio = (int(one) for one in (arguments[1:] + ["10", "7100", "4"][len(arguments[1:]) :])[:3])
    play = {"demo": by_demo, "free": by_demo, "model": by_model}[kind]
    rows, began = [], time.time()
    for seed in range(first, first + n):
        rows.append(compared(*play(seed, float(ratio), kind == "demo")))
    each_s = (time.time() - began) / n
    print(f"\n{kind}: {n} machines from seed {first}, {N_TAKES} takes, inertia × {ratio}, {each_s:.0f} s each")
    print("quantity                  foreseen/true: median  10..90 %      within goal   in 95 % interval  changed by")
    for _, _, name, goal in QUANTITIES.values():
        known = np.array([row[name] for row in rows if name in row])
        if not len(known):
            continue
        error, held, change = known.T
        low, high = np.quantile(error, [0.1, 0.9])
        limit = float(goal.split()[0]) / 100 if goal.endswith("%") else np.nan
        within = f"{np.sum(np.abs(error - 1) <= limit)} of {len(error)} ({goal})" if goal.endswith("%") else "-"
        print(
            f"{name:24s}  {np.median(error):14.2f}  {low:7.2f}..{high:.2f}  {within:>18s}  "
            f"{int(held.sum()):8d} of {len(held)}  {np.median(change):10.2f}"
        )


def compared(notes, machines, groups, true_sag) -> dict:
    """Return of each quantity: foreseen over true, whether the interval holds the truth, true over as it is now.

    The truth of a loss of speed is `true_sag`; of all else it is what takes on the other inertia measured.
    """
    light, heavy = (
        timing.tables_of(group, machine, notes, takes) for (group, takes), machine in zip(groups, machines, strict=True)
    )
    settings = _settings(machines, [take.recording for _, takes in groups for take in takes])
    table = (
        trend.setups(light["recordings"], light["strikers"], light["inertia"], {"song": notes}, settings)
        .to_pandas()
        .set_index("setup")
    )
    foreseen = table.loc["heavy"]
    now, then = (_means(one) for one in (light["inertia"], heavy["inertia"]))
    found = {}
    for name, (stem, unit, words, _) in QUANTITIES.items():
        value, low, high = (foreseen[f"{stem}{part}{unit}"] for part in ("_predicted", "_low", "_high"))
        truth = true_sag[1] if name == "sag_max" else then[name]
        if np.isfinite(value) and np.isfinite(truth):
            found[words] = (
                value / truth,
                low <= truth <= high,
                truth / (true_sag[0] if name == "sag_max" else now[name]),
            )
    return found


def _means(inertia) -> dict:
    frame = inertia.to_pandas()
    return np.exp(np.log(frame.loc[frame["inertia_ratio"] == 1.0, list(QUANTITIES)]).mean()).to_dict()


def _settings(machines, recordings) -> Settings:
    setups = (("light", machines[0]), ("heavy", machines[1]))
    song = (Arrangement("song", "song.mid"),)
    return Settings("c", "r", None, song, machines[0], setups, (), Detection(), tuple(recordings))


def _group(takes, setup, day) -> tuple[Group, list]:
    """Return a group of this set-up and its takes, their recordings renamed."""
    named = []
    for take in takes:
        recording = replace(take.recording, recording=f"{setup}-{take.recording.recording}", setup=setup, build_day=day)
        named.append(replace(take, recording=recording))
    return Group("song", day, 1, setup, tuple(take.recording for take in named)), named


def by_demo(seed, ratio, follows_click):
    """Play a random machine of the physical simulator on two inertias."""
    light = draws.random_machine(8, seed)
    notes = tunes.notes_table(tunes.random_tune(8, 60 + seed % 31, seed), light)
    faults = draws.random_faults(light, notes, seed)
    bpm = 60 * notes["score_beat"][-1].as_py() / notes["score_s"][-1].as_py()
    crew = draws.random_crew(light, notes, faults, seed * 100, click_bpm=bpm if follows_click else None)
    own = (ratio * simulator.inertia_at_barrel_kg_m2(light) - simulator.BARREL_INERTIA_KG_M2) / light.shafts[
        0
    ].turns ** 2
    heavy = replace(light, flywheel=replace(light.flywheel, inertia_kg_m2=own))
    rig = Rig("full", (Channel(1, ("click",), bpm=bpm),)) if follows_click else None
    groups, sags = [], []
    for number, (name, machine) in enumerate((("light", light), ("heavy", heavy))):
        takes = []
        for take in range(N_TAKES):
            played = simulator.simulate(machine, notes, faults, crew, 10_000 * seed + 100 * number + take)
            strikes, strike_s, missed = played.strikes, np.full(len(notes), np.nan), np.ones(len(notes), dtype=bool)
            strike_s[strikes.note_id], missed[strikes.note_id] = strikes.strike_s, strikes.missed
            clicks, once = (played.click_s if follows_click else ()), np.ones(len(notes), dtype=int)
            takes.append(timing_machine.take_of(notes, strike_s, missed, once, f"take-{take}", clicks, rig))
        groups.append(_group(takes, name, timing_machine.DAY + timedelta(number)))
        sags.append(true_sag(machine, notes, faults, crew))
    return notes, (light, heavy), groups, sags


def true_sag(machine, notes, faults, crew) -> float:
    """Return the greatest loss of speed over half a beat against the line's mean, when the crew's torque is even."""
    even = replace(crew, wander_nm=0.0)
    played = simulator.simulate(machine, notes, replace(faults, miss_rate=0 * faults.miss_rate), even, 1)
    curve, beat_s = played.curve, notes["score_s"][-1].as_py() / notes["score_beat"][-1].as_py()
    struck = np.unique(notes["score_beat"].to_numpy())
    edge = np.arange(np.ceil(2 * struck[0]) / 2, struck[-1], 0.5) - 0.25
    at_s = np.interp(np.append(struck, edge), curve.score_s / beat_s, curve.time_s)
    pace = np.polyfit(struck, at_s[: len(struck)], 1)[0]
    return float((1 - pace * 0.5 / np.diff(at_s[len(struck) :])).max())


def by_model(seed, ratio, _):
    """Play a machine of the model's own equations on two inertias."""
    chance = np.random.default_rng([seed, 77])
    notes = timing_machine.make_notes(chance, 8, bars=72, density=(0.7, 1.6))
    truth = timing_machine.make_truth(chance, notes, 8)
    truths = (
        truth,
        replace(
            truth,
            drag=truth.drag / ratio,
            recovery_beats=truth.recovery_beats * ratio,
            speed_sd=truth.speed_sd / np.sqrt(ratio),
            speed_beats=truth.speed_beats * ratio,
            course=[],
            rate=[],
        ),
    )
    machine = timing_machine.make_machine(8)
    machines = [machine, replace(machine, flywheel=replace(machine.flywheel, inertia_kg_m2=1.9 * ratio))]
    groups, sags = [], []
    for number, (name, one) in enumerate(zip(("light", "heavy"), truths, strict=True)):
        takes = timing_machine.make_takes(chance, notes, one, N_TAKES)
        groups.append(_group(takes, name, timing_machine.DAY + timedelta(number)))
        sags.append(float(np.exp(np.mean([np.log(course.load.max()) for course in one.course]))))
    return notes, machines, groups, sags


if __name__ == "__main__":
    main(sys.argv[1:])
