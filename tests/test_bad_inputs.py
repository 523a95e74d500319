"""Bad inputs: each is one plain line, or is read rightly; none hangs, none fails with a traceback.

All of them through all stages, and random changes of bytes: `tests/benchmarks/bad_inputs.py`, the long test here.
"""

import os
import shutil

import numpy as np
import pytest
import soundfile
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import __main__, audio, midi
from pipeline.errors import LONGEST_FAULT, MOST_FAULTS, InputError, plain
from pipeline.hits import hit_lists
from pipeline.settings import check, load
from tests.benchmarks import bad_inputs

DAMAGE = settings(max_examples=200, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    folder = tmp_path_factory.mktemp("good")
    bad_inputs.make_workshop(folder)
    return folder


@pytest.fixture
def workshop(good, tmp_path, monkeypatch):
    folder = tmp_path / "workshop"
    shutil.copytree(good, folder, ignore=shutil.ignore_patterns("fifo*"))
    monkeypatch.chdir(folder)
    return folder


def edit(name, old, new):
    with open(name, encoding="utf-8") as file:
        text = file.read()
    assert old in text
    with open(name, "w", encoding="utf-8") as file:
        file.write(text.replace(old, new, 1))


def said(capsys) -> list[str]:
    """Return the lines that `check` prints of faults."""
    capsys.readouterr()
    assert __main__.main(["check", "config.yaml"]) == 1
    return capsys.readouterr().err.splitlines()


def test_the_workshop_itself_has_no_fault(workshop, capsys):
    assert __main__.main(["check", "config.yaml"]) == 0
    assert "no fault found" in capsys.readouterr().out


IN_CONFIGURATION = {
    "half of a pair of surrogates": ("name: slate", 'name: "\\ud800"', "expected a text of printable signs"),
    "half of a pair in a path": ("recordings: recordings.csv", 'recordings: "\\ud800"', "expected a path on one line"),
    "a name that steers the terminal": ("name: slate", 'name: "\\e[31mred"', r"found '\x1b[31mred'"),
    "results under a file": (
        "results: results",
        "results: list.csv/under",
        "expected a folder; found the file 'list.csv'",
    ),
    "a name too long for a disk": ("results: results", f"results: {'x' * 300}", "names that a disk can hold"),
    "a number beside nothing": ("bars_per_turn: 8,", "bars_per_turn: 1e-320,", "expected a number above 0"),
    "a clock of a day": ("bars: 8, strikes_per_bar: 1", "bars: 100000, strikes_per_bar: 100", "at most 500000 strikes"),
}


@pytest.mark.parametrize(("old", "new", "words"), IN_CONFIGURATION.values(), ids=IN_CONFIGURATION)
def test_a_fault_of_the_configuration_is_one_line_without_control_signs(workshop, capsys, old, new, words):
    edit("config.yaml", old, new)
    lines = said(capsys)
    assert any(words in line for line in lines)
    assert all(sign.isprintable() for line in lines for sign in line)


def test_a_merge_of_a_merge_keeps_all_keys(workshop):
    edit(
        "config.yaml",
        "setups:\n",
        "setups:\n  a: &a {shafts: {flywheel: 4.0}}\n  b: &b\n    <<: *a\n  c:\n    <<: *b\n",
    )
    expected = yaml.safe_load((workshop / "config.yaml").read_text())["setups"]["c"]["shafts"]["flywheel"]
    (flywheel,) = (one for one in load("config.yaml").machine_of("c").shafts if one.name == "flywheel")
    assert flywheel.turns == expected == 4.0


def test_an_anchor_that_merges_itself_is_a_fault(workshop, capsys):
    edit("config.yaml", "setups:\n", "setups:\n  a: &a\n    <<: *a\n")
    assert any("a mapping after '<<:'" in line for line in said(capsys))


@pytest.mark.parametrize("name", ["list.csv", "take.wav", "song.mid", "recordings.csv", "config.yaml"])
def test_a_pipe_in_place_of_a_file_is_told_at_once(workshop, name):
    os.remove(name)
    os.mkfifo(name)
    try:
        told = (*(found := check("config.yaml")).faults, *found.missing.values())
    except InputError as error:
        told = error.faults
    if name in ("list.csv", "take.wav"):
        with pytest.raises(InputError, match="pipe"):
            audio.look(name) if name == "take.wav" else hit_lists.rows_of(workshop / name, found.settings.machine)
    else:
        assert any("pipe" in line or "no file" in line for line in told)


IN_LISTS = {
    "open quote": ('hit_s,striker\n0.5,"slate\n' + "1.0,slate\n" * 20_000, "check the quotes"),
    "a channel beyond whole numbers": ("hit_s,channel\n0.5,9223372036854775808\n", "expected a channel from 1 to"),
    "a superscript": ("hit_s,channel\n0.5,²\n", "expected a number in channel; found '²'"),
    "far off": ("hit_s\n0.5\n1.0\n1.6\n21000\n", "350 minutes without any"),
    "milliseconds": ("hit_s\n" + "".join(f"{500.25 * n}\n" for n in range(20)), "look like milliseconds"),
    "samples": ("hit_s\n" + "".join(f"{24000 * n}\n" for n in range(20)), "look like samples"),
    "each twice": ("hit_s,striker\n" + "".join(f"{n}.3,slate\n" * 2 for n in range(20)), "20 of 40 again"),
    "decimal commas": ("hit_s,striker\n0,5,slate\n", "then separate the cells by semicolons"),
    "a column twice": ("hit_s,hit_s\n0.5,0.6\n", "column hit_s once"),
    "names of another machine": (
        "hit_s,striker\n" + "".join(f"{n}.5,s{n}\n" for n in range(2000)),
        "and 1995 other unknown names",
    ),
}


@pytest.mark.parametrize(("text", "words"), IN_LISTS.values(), ids=IN_LISTS)
def test_a_fault_of_a_list_is_told(workshop, text, words):
    (workshop / "list.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as refused:
        hit_lists.rows_of(workshop / "list.csv", load("config.yaml").machine)
    assert any(words in line for line in refused.value.faults)
    assert max(map(len, refused.value.faults)) <= LONGEST_FAULT + 3


AS_SAVED = {
    "utf-16": lambda good: good.encode("utf-16"),
    "a line sep=": lambda good: b"sep=,\n" + good.encode(),
    "comments": lambda good: b"# from the bench\n\n" + good.encode(),
    "capitals": lambda good: good.replace("hit_s,striker", "Hit_S,STRIKER").encode(),
    "semicolons and decimal commas": lambda good: good.replace(",", ";").replace(".", ",").encode(),
    "old line ends": lambda good: good.replace("\n", "\r").encode(),
}


@pytest.mark.parametrize("saved", AS_SAVED.values(), ids=AS_SAVED)
def test_a_list_is_read_as_spreadsheets_save_it(workshop, saved):
    machine, path = load("config.yaml").machine, workshop / "list.csv"
    before = hit_lists.rows_of(path, machine)
    path.write_bytes(saved(path.read_text()))
    np.testing.assert_array_equal(
        [(row.hit_s, row.striker) for row in hit_lists.rows_of(path, machine)],
        [(row.hit_s, row.striker) for row in before],
    )


def test_decimal_commas_in_a_single_column_are_no_whole_seconds(workshop):
    (workshop / "list.csv").write_text("hit_s\n0,512\n1,024\n1,75\n")
    rows = hit_lists.rows_of(workshop / "list.csv", load("config.yaml").machine)
    assert [row.hit_s for row in rows] == [0.512, 1.024, 1.75]


def test_times_that_repeat_without_a_striker_may_be_a_chord(workshop):
    (workshop / "list.csv").write_text("hit_s\n" + "".join(f"{n}.3\n" * 2 for n in range(20)))
    assert len(hit_lists.rows_of(workshop / "list.csv", load("config.yaml").machine)) == 40


def test_a_rate_that_no_interface_has_is_told(workshop):
    raw = bytearray((workshop / "take.wav").read_bytes())
    raw[24:28] = (10**9).to_bytes(4, "little")
    (workshop / "take.wav").write_bytes(raw)
    with pytest.raises(InputError, match="at most 1000000 samples a second; found 1000000000"):
        audio.look("take.wav")


def test_raw_samples_are_told(workshop):
    os.rename("take.wav", "take.raw")
    with pytest.raises(InputError, match="audio with a header"):
        audio.look("take.raw")


def test_what_is_no_number_or_beyond_any_sound_is_read_as_zero(workshop):
    samples = np.zeros((8000, 2), np.float32)
    samples[100:104, 0] = np.nan, np.inf, 3e38, 0.5
    soundfile.write("odd.wav", samples, 8000, subtype="FLOAT")
    read, _ = audio.read_part("odd.wav", 0.0, 1.0)
    np.testing.assert_array_equal(read[100:104, 0], [0, 0, 0, 0.5])


def test_a_line_is_cut_and_lines_are_counted():
    told = InputError(*["a" * 5000] * 80).faults
    assert len(told) == MOST_FAULTS + 1 and told[-1] == f"and {80 - MOST_FAULTS} faults more: mend these first"
    assert len(told[0]) <= LONGEST_FAULT + 3
    assert plain("a\x1b[2J\u202eb\ud800") == "a\\x1b[2J\\u202eb\\ud800"


changes = st.lists(
    st.tuples(st.floats(0, 1, exclude_max=True), st.sampled_from("fid"), st.binary(min_size=1, max_size=12)),
    min_size=1,
    max_size=6,
)


def damaged(raw: bytes, how) -> bytes:
    raw = bytearray(raw)
    for place, kind, new in how:
        at = int(place * len(raw))
        if kind == "i":
            raw[at:at] = new
        else:
            raw[at : at + len(new)] = new if kind == "f" else b""
    return bytes(raw)


@DAMAGE
@given(how=changes)
def test_a_damaged_midi_file_is_read_or_refused(good, tmp_path_factory, how):
    path = tmp_path_factory.getbasetemp() / "damaged.mid"
    path.write_bytes(damaged((good / "song.mid").read_bytes(), how))
    try:
        song = midi.read_song(str(path))
    except InputError as error:
        assert len(error.faults) == 1 and "expected" in error.faults[0]
    else:
        assert np.all(np.diff(song.notes[:, 0]) >= 0) and np.isfinite(midi.seconds_at(song, song.notes[:, 0])).all()


@DAMAGE
@given(how=changes)
def test_a_damaged_list_is_read_or_refused(good, tmp_path_factory, how):
    path = tmp_path_factory.getbasetemp() / "damaged.csv"
    path.write_bytes(damaged((good / "list.csv").read_bytes(), how))
    machine = load(str(good / "config.yaml")).machine
    try:
        rows = hit_lists.rows_of(path, machine)
    except InputError as error:
        assert all("expected" in line for line in error.faults)
    else:
        assert all(0 <= row.hit_s <= hit_lists.LONGEST_S for row in rows)


@DAMAGE
@given(how=changes)
def test_a_damaged_configuration_is_read_or_refused(good, tmp_path_factory, how):
    path = tmp_path_factory.getbasetemp() / "damaged.yaml"
    path.write_bytes(damaged((good / "config.yaml").read_bytes(), how))
    try:
        found = check(str(path)).faults
    except InputError as error:
        found = error.faults
    # The files that it names lie elsewhere, so that there always is a fault.
    assert found and all(line.isprintable() for line in InputError(*found).faults)


@DAMAGE
@given(how=changes)
def test_a_damaged_sound_file_is_read_or_refused(good, tmp_path_factory, how):
    path = tmp_path_factory.getbasetemp() / "damaged.wav"
    raw = (good / "take.wav").read_bytes()
    path.write_bytes(damaged(raw[:60], how) + raw[60:40_000])
    try:
        samples, _ = audio.read_part(path, 0.0, 2.0)
    except InputError as error:
        assert "expected" in error.faults[0]
    else:
        assert np.isfinite(samples).all()


@pytest.mark.long
def test_every_bad_input_comes_to_plain_lines_or_results(good, tmp_path):
    wrong = []
    for rank, (name, spoil) in enumerate(bad_inputs.cases(seed=500, n_random=25)):
        folder = tmp_path / str(rank)
        shutil.copytree(good, folder, ignore=shutil.ignore_patterns("fifo*"))
        for pipe in good.glob("fifo*"):
            os.mkfifo(folder / pipe.name)
        what, text, _ = bad_inputs.outcome(folder, spoil)
        if what not in ("used", "refused"):
            wrong.append((what, name, text[-300:]))
        shutil.rmtree(folder)
    assert rank > 600 and not wrong, wrong
