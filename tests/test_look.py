"""A take without a configuration: what is said of simulated machines whose distance from the click is known."""

import csv
import re
import resource
import shutil
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
import soundfile

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from pipeline.commands import main
from pipeline.commands.look.even import STEPS, on_grid
from pipeline.errors import InputError
from tests.test_commands import pindrift

BPM = 96.0
BEAT_S = 60 / BPM


def simulated(seed=0, n_bars=40, step=0.5, jitter_s=0.004, offset_s=0.012, missed=(), swing_s=0.0, stray=0):
    """Return strikes and clicks: a machine that strikes each step (beats) but where it misses, in a slow swing."""
    generator = np.random.default_rng(seed)
    place = np.setdiff1d(np.arange(round(n_bars * 4 / step)), missed)
    swing = swing_s * np.sin(2 * np.pi * place * step / 4 / 16)  # one swing in 16 bars
    strike_s = 1.7 + place * step * BEAT_S + offset_s + swing + generator.normal(0, jitter_s, len(place))
    strays = generator.uniform(strike_s[0], strike_s[-1], stray)
    return np.sort(np.concatenate([strike_s, strays])), 1.7 + np.arange(n_bars * 4 + 1) * BEAT_S


def write(path, strike_s, click_s=()):
    with open(path, "w", newline="") as file:
        rows = [(f"{at:.6f}", 1) for at in strike_s] + [(f"{at:.6f}", 2) for at in click_s]
        csv.writer(file).writerows([("hit_s", "channel"), *rows])
    return path


def sound(path, strike_s, click_s, n_channels=2, rate_hz=48_000):
    """Write decaying noise at each strike (channel 1) and each click (channel 2), over a little noise."""
    generator = np.random.default_rng(3)
    samples = generator.normal(0, 1e-4, (int((strike_s[-1] + 1) * rate_hz), n_channels))
    for channel, at_s, tail_s in ((0, strike_s, 0.03), (1, click_s, 0.004))[:n_channels]:
        own = generator.normal(0, 0.3, int(0.1 * rate_hz)) * np.exp(-np.arange(int(0.1 * rate_hz)) / rate_hz / tail_s)
        for at in at_s:
            first = round(at * rate_hz)
            samples[first : first + len(own), channel] += own[: len(samples) - first]
    soundfile.write(path, samples, rate_hz)


def song(seed, n_strikers=5):
    """Return the strikes of a song on a simulated machine without a click, its tempo, and how far they stray, s."""
    machine = draws.random_machine(n_strikers, seed)
    tune = tunes.random_tune(n_strikers, 24, seed, notes_per_bar=8)
    notes = tunes.notes_table(tune, machine)
    faults = draws.random_faults(machine, notes, seed)
    take = simulator.simulate(machine, notes, faults, draws.random_crew(machine, notes, faults, seed), seed)
    struck = ~take.strikes.missed
    beat, strike_s = take.strikes.score_s[struck] / (60 / tune.bpm), take.strikes.strike_s[struck]
    slope, start_s = np.polyfit(beat, strike_s, 1)
    every_s = np.sort(np.concatenate([strike_s, take.extras.strike_s]))
    apart = np.insert(np.diff(every_s) > 0.03, 0, True)  # a chord is one strike to who knows no notes
    return every_s[apart], 60 / slope, float(np.std(strike_s - slope * beat - start_s)), tune.bpm


# --- what is said of a known machine ----------------------------------------------------------------------------------


def test_a_take_whose_tempo_moves_too_much_to_be_followed_gets_no_numbers():
    """A grid of quarter beats may slip by one of them in a rest: then tempo and spread are those of another take."""
    said = 0
    for seed in range(400, 416):
        strike_s, tempo_bpm, spread_s, bpm = song(seed)
        try:
            even = on_grid("take", strike_s, np.zeros(0), bpm, 4)
        except InputError:
            continue
        said += 1
        assert even.tempo_bpm == pytest.approx(tempo_bpm, rel=0.003), seed
        assert even.spread_s == pytest.approx(spread_s, rel=0.25), seed
    assert said >= 8


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("step", [4.0, 1.0, 0.5, 0.25])
def test_spread_and_offset_from_the_click_are_those_of_the_machine(seed, step):
    strike_s, click_s = simulated(seed, step=step)
    even = on_grid("take", strike_s, click_s, BPM, 4)
    assert STEPS[even.every] == step or (step == 4.0 and even.every == "bar")
    # Of n strikes a standard deviation is known to 1 in √2n.
    assert abs(even.spread_s - 0.004) < 3 * 0.004 / np.sqrt(2 * len(strike_s))
    assert abs(even.offset_s - 0.012) < 4 * 0.004 * 1.25 / np.sqrt(len(strike_s))
    assert even.n_off == 0 and len(even.empty) == 0


@pytest.mark.parametrize("seed", range(3))
def test_a_machine_that_drifts_by_more_than_half_a_step_is_followed(seed):
    strike_s, click_s = simulated(seed, swing_s=0.25, stray=20)
    even = on_grid("take", strike_s, click_s, BPM, 4)
    assert even.every == "half beat"
    low, high = even.wander_s
    # Four bars around the crest of a swing of 16 bars keep 2√2/π of it.
    assert abs(high - low - 2 * 0.25 * 2 * np.sqrt(2) / np.pi) < 0.02
    place = np.arange(320)
    swing_s = 0.25 * np.sin(2 * np.pi * place / 128)
    by_bar = (swing_s - np.median(swing_s)).reshape(-1, 8).mean(axis=1)
    assert np.abs(even.bar_late_s - by_bar).max() < 0.03
    assert abs(even.bar_late_s[even.worst_bar]) > np.abs(by_bar).max() - 0.03


def test_without_a_click_the_tempo_is_the_machines_own():
    strike_s, _ = simulated(1)
    even = on_grid("take", (strike_s - 1.7) * 96 / 94.6, [], BPM, 4)
    assert abs(even.tempo_bpm - 94.6) < 0.02 and np.isnan(even.offset_s)
    assert abs(even.spread_s - 0.004) < 0.0006


@pytest.mark.parametrize("steady_1", [0.002, 0.01])
def test_the_change_from_bar_to_bar_is_the_allan_deviation(steady_1):
    """White noise of the tempo, of standard deviation s a bar, has an Allan deviation of s (NIST SP 1065)."""
    generator = np.random.default_rng(7)
    bar_s = 4 * BEAT_S * (1 + generator.normal(0, steady_1, 400))
    even = on_grid("take", np.cumsum(bar_s), np.arange(1700) * BEAT_S, BPM, 4, "bar")
    assert abs(even.bar_to_bar / steady_1 - 1) < 0.12


def test_strikes_that_are_all_at_a_few_times_are_refused():
    at_s = np.repeat([1.0, 1.625, 2.25], 40)
    with pytest.raises(InputError, match=r"take: expected strikes at 8 places of the grid or more; found them at 3"):
        on_grid("take", at_s, (), 96.0, 4)


@pytest.mark.parametrize("seed", range(4))
def test_strikes_by_chance_and_of_another_tempo_are_refused(seed):
    generator = np.random.default_rng(seed)
    by_chance = np.sort(generator.uniform(0, 100, 400))
    with pytest.raises(InputError, match=r"take: expected strikes on the beats of 96 a minute, or on halves"):
        on_grid("take", by_chance, [], BPM, 4)
    strike_s, click_s = simulated(seed)
    with pytest.raises(InputError, match="correct --bpm"):
        on_grid("take", strike_s, [], 84.0, 4)
    with pytest.raises(InputError, match=r"expected a click of 84 a minute; found one of 96\.0"):
        on_grid("take", strike_s, click_s, 84.0, 4)


@pytest.mark.parametrize("ratio", [1 / 2, 2, 3])
def test_a_click_may_beat_halves_or_several_times_a_beat(ratio):
    strike_s, click_s = simulated(2)
    clicks = click_s[0] + np.arange(int(len(click_s) * ratio)) * BEAT_S / ratio
    even = on_grid("take", strike_s, clicks, BPM, 4)
    assert abs(even.offset_s - 0.012) < 0.001 and abs(even.spread_s - 0.004) < 0.001


# --- as it is typed ---------------------------------------------------------------------------------------------------


def test_a_step_that_is_said_and_is_not_the_written_one_is_doubted(tmp_path, monkeypatch):
    """Of a song in half beats `--every bar` would count what belongs to no bar as nothing."""
    monkeypatch.chdir(tmp_path)
    strike_s, _ = simulated(5, n_bars=20, missed=np.random.default_rng(5).choice(160, 60, replace=False))
    write("song.csv", strike_s)
    printed, _ = pindrift(tmp_path, "look", "song.csv", "--bpm", "96", "--every", "bar")
    (line,) = (one for one in printed if "off the grid" in one)
    assert re.search(r"off the grid: \d+ of 100 strikes; is more written than one a bar\?$", line)
    assert "missed" not in line


def test_a_list_is_told_in_at_most_eight_lines_and_one_picture(tmp_path):
    folder = tmp_path / "my takes"
    folder.mkdir()
    missed = [20, 61]
    write(folder / "take & co.csv", *simulated(5, n_bars=80, step=4.0, missed=missed, swing_s=0.03))
    printed, beside = pindrift(folder, "look", "take & co.csv", "--bpm", "96", "--click", "2", "--every", "bar")
    assert not beside and len(printed) <= 8 and all(len(line) <= 80 for line in printed)
    assert printed[0] == "take & co.csv: 78\N{NO-BREAK SPACE}strikes, one every bar at 96 a minute, click on channel 2"
    spread, offset = re.fullmatch(
        r"  from the click: ±([\d.]+)\sms, beside a steady ([\d.]+)\sms late", printed[1]
    ).groups()
    assert abs(float(spread) - np.hypot(4, 30 / np.sqrt(2))) < 3 and abs(float(offset) - 12) < 8
    assert any("missed: 2 of 80\N{NO-BREAK SPACE}places, first in bar 21, at 51." in line for line in printed)
    assert printed[-1] == "picture: take & co-look.svg"
    drawn = ElementTree.parse(folder / "take & co-look.svg").getroot()
    marks = [element.tag.partition("}")[2] for element in drawn.iter()]
    assert marks.count("circle") == 78 and marks.count("path") == 2 and marks.count("polyline") == 1
    assert "take & co.csv, triangles: missed" in {element.text for element in drawn.iter()}


def test_the_step_may_be_named_by_its_first_word(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "a.csv", *simulated(1, missed=[7]))
    for word in ("half", "half beat"):
        assert main(["look", "a.csv", "--bpm", "96", "--every", word]) == 0
        assert "missed: 1 of 320" in capsys.readouterr().out.replace("\N{NO-BREAK SPACE}", " ")


def test_rests_are_not_called_missed_where_nobody_named_the_step(tmp_path):
    strike_s, click_s = simulated(5, missed=range(3, 320, 8))
    write(tmp_path / "a.csv", strike_s, click_s)
    printed, _ = pindrift(tmp_path, "look", "a.csv", "--bpm", "96")
    assert any("without a strike, rests or missed: 40 of" in line for line in printed)
    assert not any("missed:" in line and "rests" not in line for line in printed)


def test_no_line_is_cut_whatever_the_names_are(tmp_path):
    for name in ("monday", "tuesday"):
        write(tmp_path / f"{name}.csv", *simulated(1))
    long = f"{'monday morning with a very long name ' * 2}.csv"
    write(tmp_path / long, *simulated(1))
    words = ("tuesday.csv", "--bpm", "96", "--click", "2", "--to", "both.svg")
    (short, _), (rows, _) = (pindrift(tmp_path, "look", name, *words) for name in ("monday.csv", long))
    assert " ".join(" ".join(rows).split()) == " ".join(" ".join(short).split()).replace("monday.csv", long)
    assert all(len(row) <= 80 for row in rows) and not any("…" in row for row in rows)


def test_two_takes_are_overlaid(tmp_path):
    for name, swing_s in (("monday", 0.0), ("tuesday", 0.05)):
        write(tmp_path / f"{name}.csv", *simulated(1, swing_s=swing_s))
    words = ("look", "monday.csv", "tuesday.csv", "--bpm", "96", "--click", "2", "--to", "both.svg")
    printed, _ = pindrift(tmp_path, *words)
    assert len(printed) <= 8 and all(len(line) <= 80 for line in printed) and printed[-1] == "picture: both.svg"
    drawn = ElementTree.parse(tmp_path / "both.svg").getroot()
    lines = [element for element in drawn.iter() if element.tag.endswith("polyline")]
    assert len(lines) == 2 and len({line.get("stroke") for line in lines}) == 2
    texts = {element.text for element in drawn.iter()}
    assert {"monday.csv", "tuesday.csv"} <= texts


def test_three_minutes_of_sound_take_ten_seconds_at_most_and_say_the_same_as_their_list(tmp_path):
    strike_s, click_s = simulated(6, n_bars=72, step=0.5, swing_s=0.04)
    sound(tmp_path / "take.wav", strike_s, click_s)
    write(tmp_path / "list.csv", strike_s, click_s)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    printed, beside = pindrift(tmp_path, "look", "take.wav", "--bpm", "96")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    # Time of the processor, so that what else runs on the machine does not count.
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < 10
    assert not beside and len(printed) <= 8 and printed[0].endswith("click on channel 2")
    listed, _ = pindrift(tmp_path, "look", "list.csv", "--bpm", "96", "--click", "2")
    told = [[float(number) for number in re.findall(r"\d+\.\d+", " ".join(lines[1:5]))] for lines in (printed, listed)]
    assert len(told[0]) == len(told[1]) > 5
    np.testing.assert_allclose(told[0], told[1], atol=0.3)


SLIPS = {
    "no tempo": (["a.csv"], 2, "the following arguments are required: --bpm"),
    "a tempo that is none": (
        ["a.csv", "--bpm", "fast"],
        2,
        "--bpm: expected a number above 0 and below 2000; found 'fast'",
    ),
    "no such take": (["b.csv", "--bpm", "96"], 1, "b.csv: expected a recording or a list of hits; found no such file"),
    "three takes": (["a.csv"] * 3 + ["--bpm", "96"], 1, "expected one or two takes; found 3"),
    "a step that is none": (["a.csv", "--bpm", "96", "--every", "bat"], 1, "found 'bat' (did you mean 'beat'?)"),
    "another picture": (
        ["a.csv", "--bpm", "96", "--to", "x.png"],
        1,
        "expected a file that ends in .svg; found 'x.png'",
    ),
    "a picture of others": (
        ["a.csv", "--bpm", "96", "--to", "own.svg"],
        1,
        "own.svg: expected a picture of pindrift look",
    ),
    "no folder": (["a.csv", "--bpm", "96", "--to", "no/a.svg"], 1, "no/a.svg: expected its folder; found none"),
    "a click that is none": (
        ["a.csv", "--bpm", "96", "--click", "7"],
        1,
        "a.csv: expected the click on channel 7; found none there",
    ),
}


@pytest.mark.parametrize("case", SLIPS)
def test_a_slip_is_one_line_and_writes_nothing(tmp_path, monkeypatch, capsys, case):
    write(tmp_path / "a.csv", *simulated(1))
    (tmp_path / "own.svg").write_text("<svg/>")
    words, status, said = SLIPS[case]
    monkeypatch.chdir(tmp_path)
    try:
        assert main(["look", *words]) == status
    except SystemExit as error:  # of the library that reads the command line
        assert error.code == status
    printed = capsys.readouterr()
    assert not printed.out and said in printed.err.splitlines()[-1]
    assert {path.name for path in tmp_path.iterdir()} == {"a.csv", "own.svg"}


def test_a_picture_of_ours_is_drawn_anew(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "a.csv", *simulated(1))
    assert main(["look", "a.csv", "--bpm", "96"]) == 0
    before = (tmp_path / "a-look.svg").read_bytes()
    write(tmp_path / "a.csv", *simulated(2))
    assert main(["look", "a.csv", "--bpm", "96"]) == 0
    assert (tmp_path / "a-look.svg").read_bytes() != before


@pytest.mark.skipif(not shutil.which("chromium"), reason="no Chromium here: picture not opened")
@pytest.mark.long
def test_a_browser_draws_the_picture(tmp_path):
    import subprocess

    write(tmp_path / "a.csv", *simulated(1))
    pindrift(tmp_path, "look", "a.csv", "--bpm", "96")
    shot = ["chromium", "--headless", "--no-sandbox", f"--screenshot={tmp_path / 'a.png'}", tmp_path / "a-look.svg"]
    subprocess.run(shot, check=True, capture_output=True)
    assert (tmp_path / "a.png").stat().st_size > 5000
