"""The real workflow engine on small projects: twice, killed, changed, with faults."""

import csv
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import mido
import numpy as np
import pyarrow.parquet as pq
import pytest

from pipeline import tables

ROOT = Path(__file__).parents[1]
STRIKERS = ("oak block", "slate", "tin cup")

CONFIG = """\
arrangements: {{round: "{song}"}}
recordings: recordings.csv
results: results
machine:
  barrel: {{bars_per_turn: 4, diameter_mm: 420}}
  strikers:
    - {{name: oak block, notes: [60]}}
    - {{name: slate, notes: [61]}}
    - {{name: tin cup, notes: [62]}}
rigs:
  one mic: [{{channel: 1, hears: everything}}]
"""


def make_song(path, bars=16):
    """Write eighth notes on three strikers in changing order, 96 quarter notes a minute."""
    song = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=625000)])
    for pitch in np.random.default_rng(4).integers(60, 63, bars * 8):
        track.append(mido.Message("note_on", note=int(pitch), velocity=90))
        track.append(mido.Message("note_off", note=int(pitch), time=240))
    song.tracks.append(track)
    song.save(path)


def make_take(path, song, seed, jitter_s=0.002, named=True):
    """Write a list of hits: a steady machine, 2 ms scatter, the slate 5 ms late."""
    generator = np.random.default_rng(seed)
    now_s = 2.0
    with open(path, "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["hit_s", "striker"] if named else ["hit_s"])
        for message in mido.MidiFile(song):
            now_s += message.time
            if message.type == "note_on" and message.velocity:
                late_s = generator.normal(0, jitter_s) + (0.005 if message.note == 61 else 0)
                row = [f"{now_s + late_s:.6f}", STRIKERS[message.note - 60]]
                writer.writerow(row[: 2 if named else 1])


def make_project(folder, song="round.mid", takes=("a1", "a2", "b1")):
    folder.mkdir(parents=True, exist_ok=True)
    make_song(folder / song)
    rows = []
    for seed, take in enumerate(takes):
        make_take(folder / f"{take}.csv", folder / song, seed)
        rows.append((take, f"{take}.csv", f"2031-05-0{3 + 'abc'.index(take[0])}", ""))
    write_list(folder, rows)
    (folder / "my.yaml").write_text(CONFIG.format(song=song), encoding="utf-8")
    return folder


def write_list(folder, rows):
    with open(folder / "recordings.csv", "w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([("recording", "file", "build_day", "rig"), *rows])


def read_list(folder):
    with open(folder / "recordings.csv", newline="", encoding="utf-8") as file:
        return [tuple(row) for row in csv.reader(file)][1:]


def command(config="my.yaml", *more):
    return [
        *(sys.executable, "-m", "snakemake", "--snakefile", ROOT / "Snakefile"),
        *("--workflow-profile", ROOT / "config" / "profile", f"--configfile={config}", *more),
    ]


def run(folder, config="my.yaml", *more, status=0):
    """Run the workflow and return what it printed."""
    done = subprocess.run(command(config, *more), cwd=folder, capture_output=True, text=True)
    printed = done.stdout + done.stderr
    assert done.returncode == status, printed
    assert "Traceback" not in printed
    return printed


def files(folder):
    """Return the bytes of everything under results but logs."""
    found = (path for path in (folder / "results").rglob("*") if path.is_file() and "log" not in path.parts)
    return {str(path.relative_to(folder)): path.read_bytes() for path in found if path.name[0] != "."}


def stamps(folder):
    return {path: path.stat().st_mtime_ns for path in (folder / "results").rglob("*.*") if path.is_file()}


def written_since(folder, before):
    """Return which stage wrote what: names such as 'hits a1' or 'lateness'."""
    names = set()
    for path, stamp in stamps(folder).items():
        parts = path.relative_to(folder / "results").parts
        if stamp == before.get(path) or parts[0] in ("log", "groups") or path.name[0] == ".":
            continue
        recording = re.search("recording=([^/]+)", str(path))
        day = re.search("build_day=([^/]+)", str(path))
        detail = recording[1] if recording else day[1] if day else path.stem
        names.add(f"{parts[1] if day and not recording else parts[0]} {detail}")
    return names


SUMMARIES = {
    f"tables {name}" for name in (*tables.GATHERED, "trend", "setups", "changes", "takes", "worklist", "asked")
} | {
    "report index",
    "report finding",
}


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A project with hostile names, run once. Tests copy it."""
    folder = make_project(tmp_path_factory.mktemp("w") / "it's $HOME, my project", song="-süß & (1).mid")
    run(folder)
    return folder


@pytest.fixture
def project(finished, tmp_path):
    copy = tmp_path / "copy $1 'x'"
    shutil.copytree(finished, copy)
    return copy


def table(folder, name):
    return tables.read(tables.path(folder / "results", name), name).to_pandas()


def test_every_table_is_there_with_its_contract_and_the_job_is_done(finished):
    for name in tables.CONTRACTS:
        paths = list((finished / "results").rglob(f"{name}.parquet"))
        paths += list((finished / "results" / name).rglob("*.parquet"))
        paths += list((finished / "results" / "tables" / name).rglob("*.parquet"))
        assert paths, name
        for path in paths:
            tables.read(path, name)
    recordings = table(finished, "recordings")
    assert list(recordings["status"]) == ["used"] * 3
    assert list(recordings["n_played"]) == [128] * 3 and recordings["n_missed"].sum() == 0
    strikers = table(finished, "strikers").set_index("striker").loc["slate"]
    # 5 ms late against two others: 5 − 5 × its share; scatter 2 ms over some 40 strikes a take.
    assert (abs(strikers["delay_s"] - 0.005 * 2 / 3) < 0.001).all()


def test_a_second_run_does_nothing_also_from_another_folder(project):
    before = stamps(project)
    for folder, config in ((project, "my.yaml"), (project.parent, f"{project.name}/my.yaml")):
        assert "Nothing to be done" in run(folder, config)
        assert stamps(project) == before


def test_a_whole_table_whose_job_was_killed_before_the_engine_noted_its_end_stands(project):
    """The engine marks what a job writes until it has seen the job's end; here all is marked."""
    notes = project / ".snakemake"
    shutil.rmtree(notes / "incomplete", ignore_errors=True)
    shutil.copytree(notes / "metadata", notes / "incomplete")
    before = stamps(project)
    assert "Nothing to be done" in run(project) and stamps(project) == before


BAD = ("junk", "empty", "silent", "noise", "missing")


@pytest.fixture(scope="module")
def grown(finished, tmp_path_factory):
    """The project with one more good recording on its second day and five that cannot be used; what that wrote and
    printed."""
    import soundfile

    project = tmp_path_factory.mktemp("g") / "grown"
    shutil.copytree(finished, project)
    make_take(project / "b2.csv", next(project.glob("*.mid")), seed=9)
    (project / "junk.wav").write_bytes(b"this is no sound" * 50)
    (project / "empty.wav").write_bytes(b"")
    soundfile.write(project / "silent.wav", np.zeros(48000 * 20), 48000)
    soundfile.write(project / "noise.wav", np.random.default_rng(1).normal(0, 0.1, 48000 * 20), 48000)
    bad = [(name, f"{name}.wav", "2031-05-04", "one mic") for name in BAD]
    write_list(project, [*read_list(project), ("b2", "b2.csv", "2031-05-04", ""), *bad])
    before = stamps(project)
    printed = run(project)
    return project, written_since(project, before), printed


def test_new_lines_run_only_their_recordings_their_group_and_the_summaries(grown):
    _, written, _ = grown
    recordings = {f"{stage} {name}" for stage in ("hits", "aligned") for name in ("b2", *BAD)}
    groups = {f"{name} 2031-05-04" for name in ("lateness", "tempo")}
    assert written == {*recordings, *groups, *SUMMARIES}


def test_recordings_that_cannot_be_used_are_refused_and_stop_nothing(grown):
    project, _, printed = grown
    recordings = table(project, "recordings").set_index("recording")
    assert (recordings.loc[["a1", "a2", "b1", "b2"], "status"] == "used").all()
    report = (project / "results/report/index.html").read_text(encoding="utf-8")
    for name in BAD:
        assert recordings.loc[name, "status"] == "refused" and recordings.loc[name, "reason"], name
        assert f"{name}: refused" in printed
        assert name in report


def test_a_deleted_line_leaves_nothing_stale_behind(project):
    write_list(project, [row for row in read_list(project) if row[0] != "b1"])
    run(project)
    assert not [path for path in files(project) if "b1" in path or "2031-05-04" in path]
    for name in ("recordings", "strikers", "pins", "trend"):
        assert {str(day) for day in table(project, name)["build_day"]} == {"2031-05-03"}
    assert "2031-05-04" not in (project / "results/report/index.html").read_text(encoding="utf-8")


def test_a_changed_build_day_leaves_nothing_stale_behind(project):
    rows = [(*row[:2], "2031-06-01", *row[3:]) if row[0] == "b1" else row for row in read_list(project)]
    write_list(project, rows)
    run(project)
    assert not [path for path in files(project) if "2031-05-04" in path]
    assert [path for path in files(project) if "build_day=2031-06-01/recording=b1" in path]


def test_a_recording_that_goes_missing_is_refused_and_comes_back_though_the_run_is_killed(project):
    whole = files(project)
    (project / "a2.csv").rename(project / "away")
    assert "a2: refused" in run(project)
    recordings = table(project, "recordings").set_index("recording")
    assert recordings.loc["a2", "status"] == "refused" and recordings.loc["a2", "reason"]
    assert list(recordings.loc[["a1", "b1"], "status"]) == ["used", "used"]
    (project / "away").rename(project / "a2.csv")
    its_hits = project / "results/hits/a2.parquet"
    missing = its_hits.stat().st_mtime_ns
    # Its hits are there again, the rest of the tables still lacks it.
    assert killed(project, lambda _: its_hits.exists() and its_hits.stat().st_mtime_ns != missing)
    assert files(project) != whole
    run(project, "my.yaml", "--unlock")
    run(project)
    assert files(project) == whole


def test_a_correction_by_hand_runs_its_recording_its_group_and_the_summaries(project):
    whole, before = files(project), stamps(project)
    config = project / "my.yaml"
    config.write_text("edits: edits.csv\n" + config.read_text("utf-8"), encoding="utf-8")
    (project / "edits.csv").write_text("recording,from_s,to_s,action\na2,5,7,ignore\n")
    printed = run(project)
    assert "refused" not in printed
    days = {f"{name} 2031-05-03" for name in ("lateness", "tempo")}
    assert written_since(project, before) == {"aligned a2", *days, *SUMMARIES}
    apart = [name for name in whole if "2031-05-04" in name or re.search(r"(hits/..|recording=a1|notes)\b", name)]
    assert len(apart) > 8 and all(files(project)[name] == whole[name] for name in apart)
    page = (project / "results/report/index.html").read_text(encoding="utf-8")
    n_hits = sum(5 <= hit_s < 7 for hit_s in pq.read_table(project / "results/hits/a2.parquet")["hit_s"].to_pylist())
    assert n_hits and "<b>By hand.</b>" in page and f"a2 5–7\xa0s: ignored ({n_hits}\xa0hits)" in page
    recordings = table(project, "recordings").set_index("recording")
    assert (recordings["n_missed"] == 0).all() and recordings.loc["a2", "n_played"] < recordings.loc["a1", "n_played"]


def test_a_changed_parameter_reruns_what_depends_on_it_and_nothing_else(project):
    config = project / "my.yaml"
    config.write_text(config.read_text("utf-8") + "baseline: 2031-05-03\n", encoding="utf-8")
    before = stamps(project)
    run(project)
    written = written_since(project, before)
    assert "tables trend" in written and "report index" in written
    assert not {name for name in written if name.split()[0] in ("hits", "aligned", "lateness", "notes")}
    config.write_text(config.read_text("utf-8") + "detection: {minimum_gap_ms: 20}\n", encoding="utf-8")
    foreseen = run(project, "my.yaml", "--dry-run", "--quiet", "host")
    stages = re.findall(r"^rule (\w+):", foreseen, re.MULTILINE)
    assert sorted(stages) == sorted(
        ["hits"] * 3 + ["aligned"] * 3 + ["timing"] * 2 + ["tables", "trend", "worklist", "report", "all"]
    )


# --- answers that are no longer true ----------------------------------------------------------------------------------


def older(path, change, by_s=1e7):
    """Change a file, and give it a date long before every result."""
    change()
    date_s = time.time() - by_s
    os.utime(path, (date_s, date_s))


def foreseen(folder):
    """Return how many jobs of each rule the engine would run, and the recordings of those of hits."""
    printed = run(folder, "my.yaml", "--dry-run", "--quiet", "host")
    counts = {}
    for rule in re.findall(r"^(?:local)?rule (\w+):", printed, re.MULTILINE):
        counts[rule] = counts.get(rule, 0) + 1
    return counts, set(re.findall(r"output: results/hits/(\w+)\.parquet", printed))


LAST = {"tables": 1, "trend": 1, "worklist": 1, "report": 1, "all": 1}


def test_a_recording_and_a_song_replaced_by_older_files_are_noticed(project):
    song = next(project.glob("*.mid"))
    older(project / "b1.csv", lambda: make_take(project / "b1.csv", song, seed=77))
    assert foreseen(project) == ({"hits": 1, "aligned": 1, "timing": 1, **LAST}, {"b1"})
    size = song.stat().st_size
    older(song, lambda: song.write_bytes(song.read_bytes().replace(bytes([60, 90]), bytes([62, 90]), 1)))
    assert song.stat().st_size == size
    assert foreseen(project) == ({"notes": 1, "hits": 1, "aligned": 3, "timing": 2, **LAST}, {"b1"})


def last_bytes_lost(path):
    path.write_bytes(path.read_bytes()[:-9])


def foreign(path):
    path.write_bytes(b"this is no table" * 30)


def of_another_version(path):
    whole = pq.read_table(path)
    metadata = whole.schema.metadata | {b"pindrift.version": b"1-00000000"}
    pq.write_table(whole.replace_schema_metadata(metadata), path)


def test_tables_that_are_damaged_are_made_again_and_what_is_whole_is_not(project):
    whole, before = files(project), stamps(project)
    foreign(next((project / "results").glob("groups/build_day=2031-05-04/*/pins.parquet")))
    last_bytes_lost(project / "results/tables/strikers.parquet")
    run(project, "my.yaml", "--until", "tables")
    assert files(project) == whole
    gathered = {f"tables {name}" for name in tables.GATHERED}
    assert written_since(project, before) == {"lateness 2031-05-04", "tempo 2031-05-04", *gathered}


GONE = {  # what is deleted, and what is made again with it
    "notes/round.parquet": {"notes": 1, "aligned": 3, "timing": 2, **LAST},
    "hits/a2.parquet": {"hits": 1, "aligned": 1, "timing": 1, **LAST},
    "aligned/*/recording=a2/aligned.parquet": {"aligned": 1, "timing": 1, **LAST},
    "groups/build_day=2031-05-03/*/budget.parquet": {"timing": 1, **LAST},
    "tables/worklist.parquet": {"worklist": 1, "trend": 1, "report": 1, "all": 1},
    "report/finding.txt": {"report": 1, "all": 1},
}


@pytest.mark.parametrize("where", [pytest.param(one, marks=pytest.mark.long) for one in GONE] + ["hits/a2.parquet"])
def test_a_result_that_is_deleted_is_made_again_with_what_stands_on_it_and_nothing_else(project, where):
    (path,) = (project / "results").glob(where)
    path.unlink()
    assert foreseen(project)[0] == GONE[where]


@pytest.mark.long
def test_results_put_back_from_an_older_copy_are_made_again_though_the_engine_notes_otherwise(project):
    then = project.parent / "then"
    shutil.copytree(project / "results", then)
    make_take(project / "a1.csv", next(project.glob("*.mid")), seed=55)
    run(project)
    now = files(project)
    shutil.rmtree(project / "results")
    shutil.copytree(then, project / "results")
    run(project)
    assert files(project) == now


def test_without_the_notes_of_the_engine_a_changed_page_and_an_older_table_are_made_again_alone(project):
    shutil.rmtree(project / ".snakemake")
    (project / "results/report/index.html").write_text("all is well")
    of_another_version(project / "results/tables/setups.parquet")
    assert foreseen(project)[0] == {"trend": 1, "report": 1, "all": 1}


def test_a_run_of_some_stages_alone_ends_well(project):
    (project / "results/report/finding.txt").unlink()
    (project / "results/hits/a1.parquet").unlink()
    printed = run(project, "my.yaml", "--until", "hits")
    assert (project / "results/hits/a1.parquet").exists() and "report:" not in printed


@pytest.fixture(scope="module")
def broken(tmp_path_factory):
    """A copy of the pipeline that fails at recordings of certain names."""
    root = tmp_path_factory.mktemp("code") / "broken"
    for name in ("pipeline", "config"):
        shutil.copytree(ROOT / name, root / name)
    shutil.copy(ROOT / "Snakefile", root)
    # Where no hash of a stage's code looks: what has been made stands.
    entry = root / "pipeline/__main__.py"
    spoil = (
        "from pipeline import hits as _hits\n\n_find = _hits.find\n\n\ndef find(take, *more):\n"
        "    if take.recording == 'odd':\n        return 1 / 0\n"
        "    if take.recording == 'full':\n        raise OSError(28, 'No space left on device')\n"
        "    return _find(take, *more)\n\n\n_hits.find = find\n\n\n"
    )
    text = entry.read_text("utf-8")
    assert "\nSTAGES = " in text
    entry.write_text(text.replace("\nSTAGES = ", f"\n{spoil}STAGES = "), "utf-8")
    return root / "Snakefile"


def test_an_odd_recording_and_a_full_disk_leave_the_others_their_tables(project, broken, monkeypatch):
    monkeypatch.setattr(sys.modules[__name__], "ROOT", broken.parent)
    song = next(project.glob("*.mid"))
    make_take(project / "odd.csv", song, seed=5)
    write_list(project, [*read_list(project), ("odd", "odd.csv", "2031-05-04", "")])
    printed = run(project, "my.yaml", "--until", "timing")
    (part,) = (project / "results").glob("groups/build_day=2031-05-04/*/recordings.parquet")
    recordings = tables.read(part, "recordings").to_pandas().set_index("recording")
    assert dict(recordings["status"]) == {"b1": "used", "odd": "refused"}
    reason = (
        "pindrift failed at this recording (ZeroDivisionError in hits); the log results/log/hits/odd.log has the "
        "details; report it"
    )
    assert recordings.loc["odd", "reason"] == reason and f"odd: refused: {reason}" in printed
    assert "Traceback" in (project / "results/log/hits/odd.log").read_text()
    # What is wrong with the machine is another matter: the job fails, and everything older stays.
    (project / "odd.csv").rename(project / "full.csv")
    write_list(project, [*read_list(project)[:-1], ("full", "full.csv", "2031-05-04", "")])
    shutil.copy(project / "results/hits/b1.parquet", project / "results/hits/full.parquet")
    whole = files(project)
    printed = run(project, "my.yaml", "--until", "timing", status=1)
    assert "hits full: expected room on the disk; found 'No space left on device'; make room" in printed
    assert files(project) == whole


def test_a_second_configuration_with_the_same_results_is_refused_before_anything_is_written(project):
    text = (project / "my.yaml").read_text("utf-8")
    (project / "your.yaml").write_text(text, "utf-8")
    whole, before = files(project), stamps(project)
    for words in (command("your.yaml"), [sys.executable, "-m", "pipeline", "check", "your.yaml"]):
        done = subprocess.run(
            words, cwd=project, capture_output=True, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)}
        )
        assert done.returncode == 1
        said = [line for line in done.stderr.splitlines() if not line.startswith("Using workflow specific profile")]
        assert len(said) == 1 and "found in 'results' what belongs to 'my.yaml'; name another folder" in said[0]
    assert files(project) == whole and stamps(project) == before


@pytest.mark.long
def test_files_of_others_survive_in_the_folder_of_results(project):
    others = project / "results/hits/my own.parquet"
    pq.write_table(
        pq.read_table(project / "results/hits/a1.parquet").select(["hit_s"]).replace_schema_metadata(), others
    )
    elsewhere = project / "elsewhere"
    elsewhere.mkdir()
    (project / "results/aligned/build_day=2031-05-04").rename(elsewhere / "moved")
    (project / "results/aligned/build_day=2031-05-04").symlink_to(elsewhere / "moved")
    there = sorted(elsewhere.rglob("*.parquet"))
    write_list(project, [row for row in read_list(project) if row[0] != "b1"])
    run(project)
    assert not (project / "results/hits/b1.parquet").exists()
    assert others.exists() and there and sorted(elsewhere.rglob("*.parquet")) == there


def killed(folder, when):
    """Start the workflow, kill it and all it started when `when` (of the seconds since) says so; return whether it was
    still running."""
    # What the engine leaves in the temporary folder when it is killed goes with the project.
    process = subprocess.Popen(
        command(),
        cwd=folder,
        env=os.environ | {"TMPDIR": str(folder)},
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    begin = time.monotonic()
    while process.poll() is None and not when(time.monotonic() - begin):
        time.sleep(0.02)
    running = process.poll() is None
    if running:
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    return running


@pytest.mark.long
@pytest.mark.parametrize("after_s", np.arange(1.0, 12.0, 0.5))
def test_killed_at_any_moment_it_finishes_with_the_same_bytes(finished, tmp_path, after_s):
    project = tmp_path / "killed"
    shutil.copytree(finished, project, ignore=shutil.ignore_patterns("results", ".snakemake"))
    killed(project, lambda since_s: since_s > after_s)
    run(project, "my.yaml", "--unlock")
    run(project)
    assert files(project) == files(finished)


def test_every_fault_is_said_at_the_start_in_one_line_each(tmp_path):
    project = make_project(tmp_path)
    config = project / "my.yaml"
    config.write_text(config.read_text("utf-8") + "dectection: {mains_hz: 50}\n", encoding="utf-8")
    write_list(project, [*read_list(project), ("A1", "a1.csv", "2031-13-03", "")])
    for words in (command(), [sys.executable, "-m", "pipeline", "check", "my.yaml"]):
        environment = os.environ | {"PYTHONPATH": str(ROOT)}
        done = subprocess.run(words, cwd=project, capture_output=True, text=True, env=environment)
        assert done.returncode == 1
        said = [line for line in done.stderr.splitlines() if not line.startswith("Using workflow specific profile")]
        assert len(said) == 3, said
        assert any("dectection" in line and "did you mean 'detection'" in line and "line" in line for line in said)
        assert any("2031-13-03" in line and "line 5" in line for line in said)


def test_a_configuration_on_the_command_line_is_refused_as_it_would_not_reach_the_stages(tmp_path):
    project = make_project(tmp_path)
    assert "--configfile" in run(project, "my.yaml", "--config", "results=elsewhere", status=1)
