"""Three days in a workshop, from lists of hits to the sentences that are read: does what is said come out right?

The machine is the physical simulator of demo/. Each day runs through all stages as the workflow calls them.
"""

import re
from dataclasses import replace
from fractions import Fraction

import allantools
import numpy as np
import pandas as pd
import pytest

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from pipeline import settings, tables
from tests.benchmarks import what_if
from tests.list_project import Project

BPM = 96.0


# --- the clock test: an arm strikes every beat while all pins are lifted, against the click ---------------------------


def arm_machine(seed):
    """Return a machine with an arm alone, which strikes four times a bar, and its notes."""
    machine = draws.random_machine(1, seed)
    arm = settings.Striker("clock arm", (0,))
    machine = replace(machine, strikers=(arm,), barrel=replace(machine.barrel, bars_per_turn=1.0))
    grid = tunes.made([(float(beat), 0, 100) for beat in range(64 * 4)], BPM, 64)
    return machine, tunes.notes_table(grid, machine)


def clock_project(folder, machine) -> Project:
    clock = {"bpm": BPM, "beats_per_bar": 4, "bars": 64, "strikes_per_bar": 4, "striker": "clock arm"}
    arm = [{"channel": 1, "hears": "clock arm"}, {"channel": 2, "hears": "click", "bpm": BPM}]
    project = Project(folder, machine, arrangements={"clock": clock | {"bars_per_turn": 1}}, rigs={"arm": arm})
    project.config["machine"]["strikers"] = []
    return project


def steadiness(take, bars) -> float:
    """Return the Allan deviation over bars of where the machine truly was at the bar lines, by allantools."""
    bar_s = (take.strikes.strike_s - take.strikes.jitter_s)[::4] / (240 / BPM)
    return float(allantools.oadev(bar_s, rate=1.0, data_type="phase", taus=[bars])[1][0])


def test_a_clock_test_says_how_steady_the_machine_is_and_how_far_from_the_click(tmp_path):
    """Three takes a day against a click, by a recorder 25 ppm off; the second day it wanders a third as much."""
    machine, notes = arm_machine(seed=8101)
    faults = replace(simulator.no_faults(machine, notes), jitter_s=np.array([0.0006]))
    project, played = clock_project(tmp_path, machine), {}
    for number in range(6):
        wander = 0.006 if number < 3 else 0.002
        crew = draws.random_crew(machine, notes, faults, 8110 + number, wander, click_bpm=BPM)
        played[f"arm-{number}"] = take = simulator.simulate(machine, notes, faults, crew, 8110 + number)
        recorded = simulator.stretched(take, 1 + 25e-6)
        project.record(f"arm-{number}", recorded, rig="arm", build_day=f"2031-05-0{3 + number // 3}")
    said = project.explain()
    found = project.table("recordings").set_index("recording")
    for name, take in played.items():
        struck_s, row = take.strikes.strike_s, found.loc[name]
        nearest_s = take.click_s[np.abs(struck_s[:, None] - take.click_s).argmin(axis=1)]
        assert row["click_offset_s"] == pytest.approx((struck_s - nearest_s).mean(), abs=0.001)
        assert row["clock_ppm"] == pytest.approx(25, abs=1)
        assert row["steady_1"] == pytest.approx(steadiness(take, 1), rel=0.1)
        assert row["steady_4"] == pytest.approx(steadiness(take, 4), rel=0.05)
    sd = [np.mean([steadiness(played[f"arm-{at}"], 4) for at in day]) for day in ((0, 1, 2), (3, 4, 5))]
    first, since, *rest = said.splitlines()
    assert first.startswith("clock, 4 May 2031, 3 takes: Steady: the tempo moves ±")
    assert float(re.search(r"±([\d.]+) %", first)[1]) == pytest.approx(100 * sd[1], abs=0.06)
    better = float(re.search(r"over 4 bars better by ([\d.]+) %", since)[1])
    assert better == pytest.approx(100 * (sd[0] - sd[1]), abs=0.03)
    assert rest[0] == "No job is sure enough to be first."
    assert not any(word in said for word in ("chord", "missing", "together", "worse"))


# --- two pulleys, one or two wheels -----------------------------------------------------------------------------------

WHEEL = {"mass_kg": 18, "outer_mm": 600, "inner_mm": 420}
WHEEL_KG_M2 = 18 * (0.3**2 + 0.21**2) / 2  # of an annulus: m (R² + r²) / 2


def setup_of(machine, wheels, turns):
    """Return the machine with so many wheels, which turn so often to a turn of the barrel."""
    wheel = replace(machine.flywheel, inertia_kg_m2=wheels * WHEEL_KG_M2)
    return replace(machine, flywheel=wheel, shafts=(replace(machine.shafts[0], turns=turns), *machine.shafts[1:]))


def play_setups(folder, seed):
    """Play one wheel on the narrow pulley, then a wide pulley, then a second wheel, two takes a day.

    Returns the project, what plays a set-up on a day, and the true loss of speed in each, both together too.
    """
    built = draws.random_machine(8, seed)
    tune = tunes.random_tune(8, 48, seed)
    notes = tunes.notes_table(tune, built)
    faults = replace(draws.random_faults(built, notes, seed), shafts=())
    narrow, wide = built.shafts[0].turns, round(1.5 * built.shafts[0].turns, 2)
    tried = {"": (1, narrow), "wide pulley": (1, wide), "two wheels": (2, narrow), "both": (2, wide)}
    machines = {name: setup_of(built, *how) for name, how in tried.items()}
    crew = draws.random_crew(machines[""], notes, faults, seed, speed_sd=0.008)
    two, shaft = [WHEEL | {"count": 2}], {"flywheel": wide}
    project = Project(folder, built, tune)
    project.config["machine"]["flywheel"] = [WHEEL]
    project.config["setups"] = {
        "wide pulley": {"shafts": shaft},
        "two wheels": {"flywheel": two},
        "both": {"shafts": shaft, "flywheel": two},
    }

    def play(setup, day):
        for number in range(2):
            take_seed = 100 * seed + 10 * list(tried).index(setup) + number
            take = simulator.simulate(machines[setup], notes, faults, crew, take_seed)
            name = f"{setup.replace(' ', '-') or 'narrow'}-{number}"
            project.record(name, take, setup=setup, build_day=f"2031-05-0{day}")

    for day, setup in enumerate(["", "wide pulley", "two wheels"], 1):
        play(setup, day)
    project.explain()
    for name, (wheels, turns) in tried.items():
        assert of_setup(project, name)["inertia_at_barrel_kg_m2"] == pytest.approx(wheels * WHEEL_KG_M2 * turns**2)
    return project, play, {name: what_if.true_sag(one, notes, faults, crew) for name, one in machines.items()}


def test_two_pulleys_and_two_wheels_are_told_apart_and_both_together_are_foreseen(tmp_path):
    project, _, true_sag = play_setups(tmp_path, 8201)
    for name, sag in true_sag.items():
        column = "sag_max_predicted" if name == "both" else "sag_max"
        assert of_setup(project, name)[column] == pytest.approx(sag, rel=0.2)
    felt = project.table("trend").query("quantity == 'felt_sd_s' and against == 'previous'").set_index("setup")
    # Inertia at the barrel: 1, 2.25 and 2. The last two differ by an eighth, and that is not to be told in two takes.
    assert felt.loc["wide pulley", "verdict"] == "better" and felt.loc["two wheels", "verdict"] == "no clear change"


@pytest.mark.long
@pytest.mark.parametrize("seed", range(8202, 8207))
def test_what_was_foreseen_of_both_together_is_what_they_then_do(tmp_path, seed):
    project, play, true_sag = play_setups(tmp_path, seed)
    foreseen = of_setup(project, "both")
    assert foreseen["sag_max_predicted"] == pytest.approx(true_sag["both"], rel=0.2)
    play("both", 4)
    project.explain()
    assert foreseen["felt_sd_predicted_s"] == pytest.approx(of_setup(project, "both")["felt_sd_s"], rel=0.25)


def of_setup(project, name) -> pd.Series:
    return project.table("setups").query("more_wheels == 0").set_index("setup").loc[name]


# --- a striker that is late only in company ---------------------------------------------------------------------------


LATE_S = 0.016  # after half a second that is just noticed: 2.5 % of it are 12 ms (Friberg & Sundberg 1995)


@pytest.mark.parametrize("seed", [8321, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(8322, 8328))])
def test_a_striker_late_only_in_company_gets_another_job_than_one_that_is_always_late(tmp_path, seed):
    """On the first day one is 16 ms late where others fire with it, another always; on the second both are mended."""
    machine = draws.random_machine(8, seed)
    tune = tunes.random_tune(8, 48, seed, notes_per_bar=16)
    notes, names = tunes.notes_table(tune, machine), np.array([one.name for one in machine.strikers])
    often = notes.to_pandas().assign(together=lambda song: song.groupby("score_beat")["note_id"].transform("size") > 1)
    of_company = often.groupby("striker")["together"].sum().idxmax()  # whoever has company most often
    always = often["striker"].value_counts().drop(of_company).idxmax()  # of the others whoever strikes most often
    drawn, none = draws.random_faults(machine, notes, seed), np.zeros(8)
    mended = replace(drawn, company_s=none, readiness_s=none, delay_s=none, shafts=())
    broken = replace(mended, company_s=LATE_S * (names == of_company), delay_s=LATE_S * (names == always))
    project = Project(tmp_path, machine, tune)
    for day, faults in ((3, broken), (4, mended)):
        for number in range(3):
            crew = draws.random_crew(machine, notes, faults, 10 * seed + day)
            take = simulator.simulate(machine, notes, faults, crew, 100 * seed + 10 * day + number)
            project.record(f"day{day}-{number}", take, build_day=f"2031-05-0{day}")
    project.explain()
    asked = project.table("asked").query("part == 'striker'").set_index("where")
    job = asked.loc[of_company]
    size = re.fullmatch(r"strikes ([\d.]+) ms \(±[\d.]+\) later when .* fires? with it", job["finding"])
    assert float(size[1]) == pytest.approx(1000 * LATE_S, abs=1)
    # Done as it says: alone at that place, it is on time.
    bar, beat = re.match(
        rf"fire {of_company} alone at bar (\d+) beat (\d[^ ]*(?: \d/\d)?) with", job["to_be_sure"]
    ).groups()
    song = notes.to_pandas()
    there = song[(song["bar"] == int(bar)) & (song["beat_in_bar"] == sum(Fraction(one) for one in beat.split()))]
    alone = tables.build("notes", {name: list(song[song["striker"] == of_company][name]) for name in song})
    struck = {}
    for name, some in (("together", notes), ("alone", alone)):
        still = replace(broken, jitter_s=none, miss_rate=none, pin_s=0 * broken.pin_s)
        strikes = simulator.simulate(machine, some, still, simulator.steady_crew(machine, some), 1).strikes
        at = (strikes.striker == of_company) & np.isclose(strikes.score_s, there["score_s"].iloc[0])
        struck[name] = (strikes.company_s + strikes.delay_s)[at][0]
    assert struck["together"] > LATE_S / 2 and struck["alone"] == 0
    assert re.match(r"strikes [\d.]+ ms .*later than", asked.loc[always, "finding"])
    assert "lever" in asked.loc[always, "correction"] and "company" not in str(asked.loc[always, "to_be_sure"])
    changes = project.table("changes").query("kind == 'striker' and verdict in ('mended', 'moved', 'worse')")
    told = set(zip(changes["thing"], changes["quantity"], changes["verdict"], strict=True))
    assert told == {(of_company, "company", "mended"), (always, "delay", "mended")}
    assert set(changes["fate"]) == {"done and won"}
    assert not set(project.table("worklist").query("part == 'striker'")["where"]) & {of_company, always}
