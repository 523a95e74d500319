"""The simulator obeys the handbook, and its truth is what it plays."""

import os
import shutil
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from demo import chance, drive, listen, machine, make, sound, tune, workshop
from demo.machine import Crew, Leg, ShaftFault, Stall
from pipeline import notes as notes_stage
from pipeline import settings, tables
from pipeline.settings import Barrel, Flywheel, Machine, Shaft, Striker, Wheel

HERE = Path(__file__).resolve().parent.parent


def make_machine(**changes):
    whole = Machine(
        Barrel(1.0, 400.0), (Shaft("flywheel", 20.0),), Flywheel(2.0), (Striker("plank", (60,)), Striker("pan", (61,)))
    )
    return replace(whole, **changes)


def make_row(n_bars=30, per_bar=8, bpm=120.0, built=None):
    """An even row of the plank on a barrel that turns once a bar of 2 s."""
    row = tune.made([(4 * i / per_bar, 60, 100) for i in range(n_bars * per_bar)], bpm, n_bars)
    return tune.notes_table(row, built or make_machine())


def play(built, score, faults=None, crew=None, seed=1):
    faults = faults or machine.no_faults(built, score)
    return machine.simulate(built, score, faults, crew or machine.steady_crew(built, score, faults), seed)


def random_project(seed, hard=False):
    built = chance.random_machine(12, seed)
    score = tune.notes_table(tune.random_tune(12, 40, seed), built)
    faults = chance.random_faults(built, score, seed, hard)
    return built, score, faults, chance.random_crew(built, score, faults, seed, hard=hard)


# --- the machine against the handbook --------------------------------------------------------------------------------


def test_a_perfect_machine_plays_what_is_written():
    built = make_machine()
    score = make_row(built=built)
    take = play(built, score)
    # A straight line: nothing is early or late by more than the step of the integration allows.
    late_s = take.strikes.strike_s - take.strikes.score_s
    assert np.ptp(late_s) < 1e-6
    assert not take.strikes.missed.any() and len(take.extras.strike_s) == 0


def test_inertia_geared_up_four_to_one_reflects_sixteenfold():
    # Standard mechanics (reflected I = I₂ · ratio²), from memory: 0.5 kg m² geared up 4:1 reflects as 8.0.
    built = make_machine(shafts=(Shaft("flywheel", 4.0),), flywheel=Flywheel(0.5))
    assert machine.inertia_at_barrel_kg_m2(built) - machine.BARREL_INERTIA_KG_M2 == pytest.approx(8.0)


def test_a_wheel_as_built_has_the_inertia_of_an_annulus():
    # Annulus ½ m (rₒ² + rᵢ²), standard mechanics, from memory: 2 × ½ × 18 × (0.3² + 0.21²) = 2.4138.
    wheel = Flywheel(wheels=(Wheel(18.0, 600.0, 420.0, 2),))
    built = make_machine(shafts=(), flywheel=wheel)
    assert machine.inertia_at_barrel_kg_m2(built) - machine.BARREL_INERTIA_KG_M2 == pytest.approx(2.4138)


def test_a_strike_takes_its_energy_from_the_wheel():
    # ½ I ω² before minus after is the energy of the strike (standard mechanics, from memory).
    built = make_machine()
    score = make_row(n_bars=4, per_bar=1, built=built)
    inertia, omega = machine.inertia_at_barrel_kg_m2(built), machine.nominal_rad_per_s(score)
    coast = Crew(torque_nm=1e-9, resistance_nm_s=1e-9)
    faults = replace(machine.no_faults(built, score), energy_j=np.array([7.0, 0.0]))
    take = play(built, score, faults, replace(coast, torque_nm=1e-9 * omega))
    energy_j = 0.5 * inertia * (omega * take.curve.speed) ** 2
    assert energy_j[0] - energy_j[-1] == pytest.approx(4 * 7.0, rel=1e-6)
    assert machine.energy_of(machine.drag_of(7.0, built, score), built, score) == pytest.approx(7.0)


def test_even_hits_move_by_half_the_fluctuation_over_the_speed():
    # ω (1 + (Cs/2) cos θ) moves hits evenly spaced in angle by a peak of Cs / (2ω): 0.5 turns/s and Cs 0.04 give
    # 6.366 ms (derived from the definition Cs = (ω_max − ω_min) / ω_mean).
    built = make_machine()
    score = make_row(n_bars=60, per_bar=16, built=built)
    omega = machine.nominal_rad_per_s(score)
    assert omega / 2 / np.pi == pytest.approx(0.5)
    crew = machine.steady_crew(built, score, recovery_beats=40.0)
    momentum = machine.inertia_at_barrel_kg_m2(built) * omega
    # The torque whose integral is a speed of amplitude Cs/2 once a turn.
    take = play(built, score, crew=replace(crew, stroke_nm=0.02 * omega * momentum, strokes_per_turn=1.0))
    speed = take.curve.speed[(take.curve.turn > 57) & (take.curve.turn < 58)]
    assert (speed.max() - speed.min()) / speed.mean() == pytest.approx(0.04, rel=0.02)
    late = take.strikes.strike_s[480:] - take.strikes.score_s[480:]
    turn = 2 * np.pi * take.strikes.barrel_turn[480:]
    basis = np.stack([np.ones_like(turn), turn, turn**2, np.cos(turn), np.sin(turn)], axis=1)
    found = np.linalg.lstsq(basis, late, rcond=None)[0]
    assert np.hypot(found[3], found[4]) == pytest.approx(0.006366, rel=0.01)
    assert take.shafts["amplitude_s"][0].as_py() == pytest.approx(0.006366, rel=0.001)


@pytest.mark.parametrize("recovery_beats", [4.0, 8.0, 16.0])
def test_lost_speed_returns_with_the_time_constant_of_inertia_over_resistance(recovery_beats):
    # First-order lag: 1/e is left after one time constant (standard mechanics, from memory).
    built = make_machine()
    score = make_row(n_bars=20, per_bar=1, built=built)
    faults = replace(machine.no_faults(built, score), energy_j=np.array([5.0, 0.0]), pin_miss=np.ones(20))
    faults.pin_miss[0] = 0.0
    take = play(built, score, faults, machine.steady_crew(built, score, None, recovery_beats))
    struck = int(np.argmax(take.curve.load < 0))
    later = struck + round(recovery_beats * 0.5 / drive.STEP_S)
    assert take.curve.load[later] / take.curve.load[struck] == pytest.approx(np.exp(-1), rel=0.002)
    assert take.recovery_beats == pytest.approx(recovery_beats)
    # The model's own words: a strike delays all later ones by drag × recovery × (1 − e^(−time since / recovery)).
    since_s = take.strikes.score_s[1:] - take.strikes.score_s[0]
    recovery_s = recovery_beats * 0.5
    expected = take.drag[0] * recovery_s * (1 - np.exp(-since_s / recovery_s))
    np.testing.assert_allclose(take.strikes.load_s[1:], expected, rtol=0.01, atol=2e-5)


def test_uneven_torque_wanders_the_speed_as_two_low_passes_do():
    # An Ornstein–Uhlenbeck process of spread s and correlation T through a lag τ has the spread s τ √(T / (T + τ))
    # (spectra of two first-order low passes, from memory). 4000 s hold some 800 recoveries: 5 % is two errors.
    built = make_machine()
    score = make_row(n_bars=2000, per_bar=1, built=built)
    crew = machine.steady_crew(built, score, recovery_beats=10.0)
    crew = replace(crew, wander_nm=chance.wander_nm(built, score, crew, 0.005, 2.0), wander_s=2.0)
    assert play(built, score, crew=crew).curve.speed.std() == pytest.approx(0.005, rel=0.05)


def test_a_heavier_wheel_sags_less_under_a_strike_in_proportion():
    light, heavy = make_machine(), make_machine(flywheel=Flywheel(4.0))
    score = make_row(built=light)
    drags = machine.drag_of(1.0, light, score), machine.drag_of(1.0, heavy, score)
    inertias = machine.inertia_at_barrel_kg_m2(light), machine.inertia_at_barrel_kg_m2(heavy)
    assert drags[0] / drags[1] == pytest.approx(inertias[1] / inertias[0], rel=1e-3)


def test_a_crew_that_hears_a_click_stays_with_it():
    built, score, faults, crew = random_project(5)
    free = play(built, score, faults, replace(crew, torque_nm=crew.torque_nm * 1.03))
    clicked = chance.random_crew(built, score, faults, 5, click_bpm=96.0)
    held = play(built, score, faults, replace(clicked, torque_nm=clicked.torque_nm * 1.03))
    ends = [(take.strikes.strike_s - take.strikes.clock_s)[-50:].mean() for take in (free, held)]
    assert abs(ends[0]) > 1.0
    assert abs(ends[1]) < 0.35
    assert np.diff(held.click_s) == pytest.approx(0.625)


# --- the truth is what is played -------------------------------------------------------------------------------------


@pytest.mark.parametrize("hard", [False, True])
def test_the_parts_of_every_strike_add_up(hard):
    built, score, faults, crew = random_project(3, hard)
    one = play(built, score, faults, crew).strikes
    total_s = one.clock_s + one.motion_s + one.load_s + one.shaft_s + one.pin_s
    total_s = total_s + one.delay_s + one.company_s + one.readiness_s + one.jitter_s
    np.testing.assert_allclose(total_s, one.strike_s, rtol=0, atol=1e-9)


def test_the_same_seed_plays_the_same_take_and_another_does_not():
    project = random_project(7)
    first, again, other = play(*project, seed=1), play(*project, seed=1), play(*project, seed=2)
    np.testing.assert_array_equal(first.strikes.strike_s, again.strikes.strike_s)
    np.testing.assert_array_equal(first.extras.strike_s, again.extras.strike_s)
    assert first.tempo.equals(again.tempo)
    assert np.abs(first.strikes.strike_s - other.strikes.strike_s).max() > 0.001


def test_a_misplaced_pin_comes_late_by_its_place_over_the_speed():
    built = make_machine()
    score = make_row(built=built)
    faults = machine.no_faults(built, score)
    faults.pin_s[17] = 0.008
    crew = machine.steady_crew(built, score)
    fast = play(built, score, faults, replace(crew, torque_nm=crew.torque_nm * 1.25))
    one = fast.strikes
    # The pin stands 8 ms × the written speed away; a machine a quarter faster is over it in 8 / 1.25 ms.
    speed = fast.curve.speed[np.searchsorted(fast.curve.time_s, one.strike_s[17])]
    assert one.pin_s[17] == pytest.approx(0.008 / speed, rel=1e-3)
    assert np.abs(np.delete(one.pin_s, 17)).max() == 0.0


def test_a_shaft_out_of_true_moves_the_strikes_by_its_amplitude():
    built = make_machine()
    score = make_row(n_bars=40, per_bar=16, built=built)
    faults = replace(machine.no_faults(built, score), shafts=(ShaftFault("flywheel", 5.3, 0.002, creep_sd=0.0004),))
    take = play(built, score, faults)
    truth = take.shafts.to_pylist()[0]
    assert truth["order"] == pytest.approx(5.3, rel=0.002) and truth["order"] != 5.3
    angle = 2 * np.pi * truth["order"] * take.strikes.score_s / 2.0
    basis = np.stack([np.ones_like(angle), np.sin(angle), np.cos(angle)], axis=1)
    found = np.linalg.lstsq(basis, take.strikes.strike_s - take.strikes.score_s, rcond=None)[0]
    assert np.hypot(found[1], found[2]) == pytest.approx(0.002, rel=1e-3)


def test_company_and_readiness_follow_the_load_and_the_gap():
    built = make_machine()
    both = tune.made([(beat, 60, 90) for beat in (0, 4, 8, 8.5)] + [(4, 61, 90), (12, 61, 90)], 120.0, 4)
    score = tune.notes_table(both, built)
    faults = replace(
        machine.no_faults(built, score),
        energy_j=np.array([0.5, 0.5]),
        company_s=np.array([0.004, 0.0]),
        readiness_s=np.array([0.010, 0.0]),
        readiness_fade_s=0.1,
    )
    one = play(built, score, faults).strikes
    plank = one.striker == "plank"
    np.testing.assert_allclose(one.company_s[plank], [0, 0.004, 0, 0])
    assert one.readiness_s[plank][3] == pytest.approx(0.010 * np.exp(-0.25 / 0.1), rel=0.05)
    assert one.company_s[~plank].sum() == 0.0


def test_a_missed_strike_takes_no_energy_and_leaves_no_sound():
    built = make_machine()
    score = make_row(built=built)
    faults = replace(machine.no_faults(built, score), energy_j=np.array([1.0, 0.0]))
    missing = replace(faults, miss_rate=np.ones(2))
    take = play(built, score, missing, machine.steady_crew(built, score))
    assert take.strikes.missed.all()
    assert take.curve.load.min() == 0.0
    assert len(listen.hits_table(take, ("plank", "pan"), 1, marks=False)) == 0


def test_a_striker_that_is_not_ready_misses_short_gaps_only():
    built = make_machine()
    score = tune.notes_table(tune.made([(b + d, 60, 90) for b in range(40) for d in (0, 0.25)], 120.0, 10), built)
    faults = replace(machine.no_faults(built, score), miss_gap_s=np.array([0.2, 0.0]))
    one = play(built, score, faults).strikes
    assert one.missed[1::2].all() and not one.missed[::2].any()


def test_rates_of_misses_and_rebounds_are_those_asked_for():
    built = make_machine()
    score = make_row(n_bars=500, built=built)
    faults = replace(
        machine.no_faults(built, score), miss_rate=np.full(2, 0.08), rebound_rate=np.full(2, 0.08), strays_per_min=3.0
    )
    take = play(built, score, faults)
    # Binomial with n = 4000: standard error .0043; within four of them.
    assert take.strikes.missed.mean() == pytest.approx(0.08, abs=0.017)
    rebounds = take.extras.kind == "rebound"
    assert rebounds.sum() / (~take.strikes.missed).sum() == pytest.approx(0.08, abs=0.018)
    assert (take.extras.kind == "stray").sum() == pytest.approx(3.0 * take.length_s / 60, rel=0.4)


def test_the_song_goes_round_stops_and_starts_as_the_crew_wants():
    built = make_machine()
    score = make_row(n_bars=8, built=built)
    crew = machine.steady_crew(built, score)
    round_twice = play(built, score, crew=replace(crew, legs=(Leg(rounds=2),))).strikes
    assert round_twice.playthrough.tolist() == [1] * 64 + [2] * 64
    np.testing.assert_allclose(np.diff(round_twice.strike_s), 0.25, atol=1e-6)
    part = play(built, score, crew=replace(crew, legs=(Leg(3, 5),))).strikes
    assert part.note_id.tolist() == list(range(16, 40))
    false = play(built, score, crew=chance.false_start(crew, 2)).strikes
    assert false.playthrough.tolist() == [1] * 16 + [2] * 64
    resumed = play(built, score, crew=replace(crew, legs=(Leg(1, 4), Leg(5, 8, pause_s=4.0)))).strikes
    assert resumed.playthrough.tolist() == [1] * 64 and resumed.leg.tolist() == [1] * 32 + [2] * 32


def test_a_stall_stands_as_long_as_it_is_told():
    built = make_machine()
    score = make_row(n_bars=8, built=built)
    take = play(built, score, crew=replace(machine.steady_crew(built, score), stalls=(Stall(4, 2.0),)))
    assert (take.curve.speed == 0).sum() * drive.STEP_S == pytest.approx(2.0, abs=0.01)
    assert len(take.strikes.note_id) == 64


def test_index_marks_come_once_a_turn_where_the_barrel_is():
    built = make_machine(barrel=Barrel(4.0, 400.0))
    score = make_row(n_bars=16, built=built)
    take = play(built, score)
    # The barrel of four bars turns in 8 s; turn 0 is the first beat, 2 s into the recording.
    np.testing.assert_allclose(take.index_s, [2, 10, 18, 26, 34], atol=1e-6)


def test_a_recorder_that_reads_long_stretches_every_time():
    project = random_project(9)
    take = play(*project)
    long = machine.stretched(take, 1 + 20e-6)
    np.testing.assert_allclose(long.strikes.strike_s / take.strikes.strike_s, 1 + 20e-6, rtol=1e-12)
    np.testing.assert_allclose(long.index_s / take.index_s, 1 + 20e-6, rtol=1e-12)


def test_the_list_of_hits_holds_the_contract_and_the_truth():
    built, score, faults, crew = random_project(11)
    take = play(built, score, faults, crew)
    names = tuple(striker.name for striker in built.strikers)
    hits = listen.hits_table(take, names, 1, ear=listen.Ear(place_s=1e-5))
    assert hits.schema.equals(tables.CONTRACTS["hits"].schema)
    n_played = int((~take.strikes.missed).sum())
    kinds = hits["kind"].to_pylist()
    assert len(kinds) == n_played + len(take.extras.strike_s) + len(take.index_s)
    mine = [row["hit_s"] for row in hits.select(["hit_s", "striker"]).to_pylist() if row["striker"] == names[0]]
    own = (take.strikes.striker == names[0]) & ~take.strikes.missed
    for strike_s in take.strikes.strike_s[own]:
        assert np.abs(np.array(mine) - strike_s).min() < 1e-4
    one = listen.hits_table(take, names, 1, named=False, ear=listen.Ear(fuse_s=0.012), marks=False)
    assert set(one["striker"].to_pylist()) == {None} and np.diff(one["hit_s"].to_numpy()).min() > 0.0119


# --- sound -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("material", ["wood", "metal", "stone", "skin"])
def test_a_hit_begins_exactly_where_it_should(material):
    # The true onset is the first sample above −40 dB of the clean hit's peak: at most one sample after the time given,
    # never before it; a burst that dips through zero just then may add one.
    body = sound.material_body("thing", material)
    rng = np.random.default_rng(2)
    after = []
    for seed in range(60):
        phase = rng.random()
        samples, before = sound.hit(body, -6.0, np.random.default_rng(seed), phase)
        size = np.abs(samples) / np.abs(samples).max()
        after.append(np.argmax(size > 0.01) - (before + phase))
    assert min(after) >= -0.02
    assert np.median(after) < 1.0 and max(after) < 3.0


def test_a_hit_between_samples_is_the_same_hit_moved():
    # Against a shift by Fourier's theorem; what differs is aliasing of the sharp edge.
    body = sound.material_body("thing", "wood")
    still, before = sound.hit(body, -6.0, np.random.default_rng(4), 0.0)
    moved, before_moved = sound.hit(body, -6.0, np.random.default_rng(4), 0.4)
    n = 4096
    spectrum = np.fft.rfft(still[:n], 2 * n) * np.exp(
        -2j * np.pi * np.fft.rfftfreq(2 * n) * (0.4 + before_moved - before)
    )
    shifted = np.fft.irfft(spectrum)[:n]
    assert np.std(shifted - moved[:n]) < 0.05 * np.std(moved[:n])
    assert np.std(still[:n] - moved[:n]) > 4 * np.std(shifted - moved[:n])


def test_each_hit_differs_in_shape_and_has_the_level_asked_for():
    body = sound.material_body("thing", "metal")
    first, _ = sound.hit(body, -12.0, np.random.default_rng(1))
    second, _ = sound.hit(body, -12.0, np.random.default_rng(2))
    for samples in (first, second):
        # The peak may lie between two samples.
        assert -12.8 < 20 * np.log10(np.abs(samples).max()) < -11.99
    n = min(len(first), len(second), 2000)
    assert 0.3 < np.corrcoef(first[:n], second[:n])[0, 1] < 0.999


def test_other_channels_hear_a_hit_later_and_weaker():
    bodies = tuple(sound.material_body(name, "wood") for name in ("one", "two"))
    quiet = [replace(m, noise_db=-140.0, hum_db=-140.0, rumble_db=-140.0) for m in sound.own_microphones(2, 3)]
    blows = sound.Blows(np.array([0.25]), np.array([0]), np.array([-6.0]))
    (block,) = sound.render(bodies, blows, tuple(quiet), 1.0, 1)
    own, other = np.abs(block[:, 0]), np.abs(block[:, 1])
    loss_db = 20 * np.log10(other.max() / own.max())
    assert -45 < loss_db < -18  # the leak's own 18 to 30 dB, and what its low pass takes
    first = [np.argmax(size > 0.01 * size.max()) / sound.RATE_HZ for size in (own, other)]
    assert first[0] == pytest.approx(0.25, abs=2 / sound.RATE_HZ)
    assert 0.00003 < first[1] - first[0] < 0.0008


def test_blocks_do_not_show_in_the_sound(monkeypatch):
    bodies = (sound.material_body("one", "metal"),)
    blows = sound.Blows(np.array([0.2, 0.95, 1.7]), np.zeros(3, dtype=int), np.full(3, -6.0))
    click = replace(sound.own_microphones(1, 1)[0], tone_s=np.array([0.5, 0.999]), bang_s=0.98)
    whole = np.concatenate(list(sound.render(bodies, blows, (click,), 3.0, 1)))
    monkeypatch.setattr(sound, "BLOCK_S", 1.0)
    parts = list(sound.render(bodies, blows, (click,), 3.0, 1))
    assert [len(part) for part in parts] == [48_000] * 3
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-6)


# --- the demo's project ----------------------------------------------------------------------------------------------


def test_the_tune_and_its_midi_file_say_the_same(tmp_path):
    song = workshop.song()
    tune.write_midi(song, tmp_path / "song.mid")
    played = mido.MidiFile(tmp_path / "song.mid")
    clock_s, starts, markers = 0.0, [], []
    for message in played:
        clock_s += message.time
        if message.type == "note_on":
            starts.append((round(clock_s, 5), message.note))
        if message.type == "marker":
            markers.append(message.text)
    expected = [(round(beat * 0.625, 5), pitch) for beat, pitch in zip(song.beat, song.pitch, strict=True)]
    assert sorted(starts) == sorted(expected)
    assert markers == [name for _, name in song.passages]
    # The densest passage has more than twice the strikes of the others, on average.
    per_passage = np.histogram(song.beat, bins=np.arange(0, 161, 32))[0]
    assert per_passage[2] > 2 * np.delete(per_passage, 2).mean()


def make_project(tmp_path, monkeypatch):
    """The demo's own configuration with its tune, and no recordings."""
    (tmp_path / "demo").mkdir()
    for name in ("config.yaml", "recordings.csv"):
        shutil.copy(HERE / "demo" / name, tmp_path / "demo" / name)
    tune.write_midi(workshop.song(), tmp_path / "demo" / "song.mid")
    monkeypatch.chdir(tmp_path)
    return settings.load("demo/config.yaml")


def test_the_demo_configuration_describes_the_simulated_machine(tmp_path, monkeypatch):
    said = make_project(tmp_path, monkeypatch)
    shop = workshop.demo()
    assert said.machine_of("") == workshop.machine_of(shop, "")
    assert said.machine_of(workshop.WIDE) == workshop.machine_of(shop, workshop.WIDE)
    listed = [(one.recording, Path(one.file).name, one.build_day, one.setup) for one in said.recordings]
    assert listed == [(plan.recording, plan.file, plan.build_day, plan.setup) for plan in shop.plans]


def test_the_notes_of_the_simulator_are_those_of_the_workflow(tmp_path, monkeypatch):
    said = make_project(tmp_path, monkeypatch)
    ours = tune.notes_table(workshop.song(), workshop.machine_of(workshop.demo(), ""))
    theirs = notes_stage.notes(said, "song")
    for column in ("note_id", "pin_id", "bar", "beat_in_bar", "striker", "pitch", "velocity", "passage"):
        assert ours[column].to_pylist() == theirs[column].to_pylist()
    for column in ("bar_start_beat", "bar_beats", "score_beat", "score_s", "barrel_turn"):
        np.testing.assert_allclose(ours[column].to_numpy(), theirs[column].to_numpy(), atol=1e-9)


def test_pins_that_are_said_to_be_misplaced_are():
    notes = tune.notes_table(workshop.song(), workshop.machine_of(workshop.demo(), ""))
    before, after = workshop.pins_mm(notes, False), workshop.pins_mm(notes, True)
    assert (np.abs(before) > 0.5).sum() == len(workshop.MISPLACED)
    assert (np.abs(after) > 0.5).sum() == workshop.N_LEFT


def test_the_tiny_project_is_whole_and_made_once(tmp_path):
    make.tiny(tmp_path)
    before = {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in tmp_path.rglob("*") if path.is_file()}
    lengths = [soundfile.info(tmp_path / "recordings" / name).duration for name in ("first-1.wav", "second-room.wav")]
    assert all(10 < length < 16 for length in lengths)
    make.tiny(tmp_path)
    after = {path: path.stat().st_mtime_ns for path in before}
    assert after == {path: time for path, (time, _) in before.items()}
    # Killed while a recording was written: the part is cleared away, and the same bytes come again.
    victim = tmp_path / "recordings" / "second-room.wav"
    victim.unlink()
    (tmp_path / "recordings" / ".second-room.wav.999999999.part").write_bytes(b"half")
    os.unlink(tmp_path / "truth" / "second-room.json")
    make.tiny(tmp_path)
    assert not list(tmp_path.rglob(".*.part"))
    for path, (_, content) in before.items():
        assert path.read_bytes() == content


def test_the_tiny_project_is_a_right_configuration(tmp_path, monkeypatch):
    make.tiny(tmp_path)
    monkeypatch.chdir(tmp_path)
    said = settings.load("config.yaml")
    assert len(said.recordings) == 5 and len(said.groups()) == 2
    assert said.machine == workshop.machine_of(workshop.tiny(), "")
