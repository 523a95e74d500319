"""A machine that people let go at the end of a take: found, left out, and how long it takes to stop.

Held against the equation of motion solved by scipy, against the textbook case of constant deceleration, and against
simulated machines that do not run down.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from pipeline import settings, words
from pipeline.aligned import run_down
from pipeline.report import what_if
from pipeline.report.results import read
from tests.list_project import Project

STEP_S = 0.001


def onsets(speed_after, chance, n_before=60, way_s=60.0, scatter_s=0.002):
    """Return place and time of onsets, and when people let go: before, the speed is 1 and wanders by 1 %.

    `speed_after` gives the speed so many seconds after; the machine stands where it falls to 0.
    """
    place_s = np.cumsum(chance.choice([0.15, 0.3, 0.6], 600))
    place_s = place_s[place_s < place_s[n_before] + way_s]
    wander = np.convolve(chance.normal(0, 0.01, 120_000), np.ones(1000) / np.sqrt(1000), "valid")
    time_s = np.arange(len(wander)) * STEP_S
    let_go_s = float(place_s[n_before])
    after = time_s > let_go_s
    speed = np.where(after, speed_after(np.maximum(time_s - let_go_s, 0)), 1 + wander)
    stands = after & (speed <= 0)
    speed = np.where(np.maximum.accumulate(stands), 0.0, speed)
    way_gone_s = np.cumsum(speed) * STEP_S
    place_s = place_s[place_s < way_gone_s[-1]]
    hit_s = time_s[np.searchsorted(way_gone_s, place_s)] + chance.normal(0, scatter_s, len(place_s))
    return place_s, np.maximum.accumulate(hit_s + 1e-7 * np.arange(len(hit_s))), let_go_s


@pytest.mark.parametrize(("dry", "viscous"), [(0.05, 0.0), (0.05, 1e-5), (0.02, 0.05), (0.01, 0.2)])
def test_the_law_is_the_solution_of_the_equation_of_motion(dry, viscous):
    law = np.array([10.0, 12.0, 1.1, dry, viscous])
    standing_s = run_down._standing_s(law)
    solved = solve_ivp(
        lambda _, y: [y[1], -1.1 * dry - viscous * y[1]],
        (0, 0.99 * standing_s),
        [12.0, 1.1],
        rtol=1e-9,
        atol=1e-9,
        dense_output=True,
    )
    after_s = np.linspace(0, 0.99 * standing_s, 50)
    assert run_down._place(law, 10 + after_s) == pytest.approx(solved.sol(after_s)[0], abs=1e-6)
    assert [run_down._speed(law, 10 + at) for at in after_s] == pytest.approx(solved.sol(after_s)[1].tolist(), abs=1e-6)
    assert run_down._speed(law, 10 + standing_s) == pytest.approx(0, abs=1e-6)


def test_a_constant_deceleration_stops_after_speed_over_deceleration():
    # t = v / a: any textbook of mechanics.
    held, stops = [], []
    for seed in range(12):
        chance = np.random.default_rng([seed, 800])
        deceleration = chance.uniform(1 / 30, 1 / 8)
        found = run_down.find(*onsets(lambda s, a=deceleration: 1 - a * s, chance)[:2])
        if found.stops_s is not None:
            stops.append(found.stops_s * deceleration)
            held.append(abs(found.stops_s - 1 / deceleration) <= 2 * found.stops_se)
    assert len(stops) >= 10
    assert np.abs(np.array(stops) - 1).max() < 0.1
    assert np.mean(held) >= 0.9


def test_it_begins_where_people_let_go():
    chance = np.random.default_rng(801)
    place_s, time_s, let_go_s = onsets(lambda s: 1 - s / 20, chance)
    found = run_down.find(place_s, time_s)
    assert found.from_s == pytest.approx(let_go_s, abs=0.5)
    assert found.share == pytest.approx(1 - (time_s[-1] - let_go_s) / 20, abs=0.05)


def test_an_arm_that_strikes_once_a_bar_tells_it_too():
    place_s = 2.5 * np.arange(60)
    let_go_s, stops_s = 50.0, 100.0
    gone_s = np.clip(place_s - let_go_s, 0, stops_s / 2)
    time_s = np.minimum(place_s, let_go_s) + stops_s * (1 - np.sqrt(1 - 2 * gone_s / stops_s))
    came = place_s < let_go_s + 0.49 * stops_s
    found = run_down.find(place_s[came], time_s[came] + np.random.default_rng(805).normal(0, 0.005, came.sum()))
    assert abs(found.stops_s - stops_s) <= 2 * found.stops_se


SILENT = {
    "plays on": lambda s: np.ones_like(s),
    "is played slower": lambda s: np.maximum(1 - s / 10, 0.7),
    "slows down and comes back": lambda s: 1 - 0.5 * np.sin(np.pi * np.minimum(s, 8) / 8),
    "jams": lambda s: np.where(s < 0.4, 1 - s / 0.4, 0.0),
    "is pushed on in jerks": lambda s: np.maximum(0.45 + 0.5 * np.cos(2 * np.pi * s / 4), 0.05),
}


@pytest.mark.parametrize("ends", SILENT)
def test_other_ends_are_no_run_down(ends):
    for seed in range(4):
        chance = np.random.default_rng([seed, 802])
        assert run_down.find(*onsets(SILENT[ends], chance, way_s=15.0)[:2]) is None


def test_few_onsets_tell_nothing():
    place_s, time_s, _ = onsets(lambda s: 1 - s / 20, np.random.default_rng(803), n_before=5)
    assert run_down.find(place_s, time_s) is None
    assert run_down.find(np.zeros(0), np.zeros(0)) is None


def test_a_take_is_judged_without_its_run_down(tmp_path):
    machine = draws.random_machine(6, 804)
    tune = tunes.random_tune(6, 40, 804, notes_per_bar=8)
    notes = tunes.notes_table(tune, machine)
    faults = draws.random_faults(machine, notes, 804)
    take = simulator.simulate(machine, notes, faults, draws.random_crew(machine, notes, faults, 804), 804)
    let_go_s, stops_s = 50.0, 26.0

    def slowed(at_s):
        gone_s = np.clip(at_s - let_go_s, 0, stops_s / 2)
        return np.minimum(at_s, let_go_s) + stops_s * (1 - np.sqrt(1 - 2 * gone_s / stops_s))

    def kept(rows, until_s):
        heard = rows.strike_s < until_s
        names = rows.__dataclass_fields__
        return replace(rows, **{name: np.asarray(getattr(rows, name))[heard] for name in names})

    before = {name: kept(getattr(take, name), let_go_s) for name in ("strikes", "extras")}
    whole = {name: kept(getattr(take, name), let_go_s + 0.99 * stops_s / 2) for name in ("strikes", "extras")}
    whole = {name: replace(rows, strike_s=slowed(rows.strike_s)) for name, rows in whole.items()}
    project = Project(tmp_path, machine, tune, setups={"wide pulley": {"shafts": {"flywheel": 12}}})
    for name, heard in (("before", before), ("whole", whole)):
        project.record(name, replace(take, **heard))
    project.explain()
    found = project.table("recordings").set_index("recording")
    before, whole = found.loc["before"], found.loc["whole"]
    assert np.isnan(before["stops_s"])
    assert abs(whole["stops_s"] - stops_s) <= 2 * whole["stops_se"]
    assert any(line.startswith("run-down: from bar") for line in whole["health"])
    assert not any("run-down" in line for line in before["health"])
    assert abs(whole["n_played"] - before["n_played"]) <= 10
    assert whole["felt_sd_s"] == pytest.approx(before["felt_sd_s"], rel=0.15)
    titles, *setups = what_if.table(read(settings.load(str(tmp_path / "config.yaml"))))
    line = titles.cells.index("Time to stop")
    ratio = (12 / next(shaft.turns for shaft in machine.shafts if shaft.name == "flywheel")) ** 2
    more = [f"×\N{NO-BREAK SPACE}{words.about(one)}" for one in (ratio, 2.0)]  # the pulley, one more wheel
    assert [one.cells[line] for one in setups] == [words.about(whole["stops_s"], "s"), *more]
    page = (Path(project.results) / "report" / "index.html").read_text("utf-8")
    assert "Let go at its playing speed" in page
    # Slowed down by hand or brake it looks the same.
    assert "if nobody pedalled or braked while it slowed down at the end" in page
    assert "keep hands, feet and clothes away" in page
