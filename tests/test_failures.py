"""What goes wrong at one recording refuses it; what goes wrong with the machine fails the job in one line."""

import errno
import gc
import resource
import signal
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from pipeline import aligned, failures, hits, tables, timing
from pipeline.__main__ import main
from pipeline.commands import engine
from pipeline.commands import main as command_line
from pipeline.commands import run as run_command
from pipeline.commands.progress import Progress, keep_pace
from pipeline.errors import InputError
from pipeline.hits.signal import spool
from pipeline.hits.signal.template import Shape
from pipeline.settings import load
from pipeline.timing import Take
from tests.test_workflow import make_project


@pytest.fixture
def project(tmp_path, monkeypatch):
    """A project of three lists of hits, with its notes made."""
    monkeypatch.chdir(make_project(tmp_path, takes=("a1", "a2", "a3")))
    assert main(["notes", "my.yaml", "round"]) == 0


GROUP = "2031-05-03_1_round"


def run_all(takes=("a1", "a2", "a3")):
    for stage in ("hits", "aligned"):
        for take in takes:
            assert main([stage, "my.yaml", take]) == 0
    assert main(["timing", "my.yaml", GROUP]) == 0


def rows():
    path = tables.group_folder("results", date(2031, 5, 3), GROUP) / "recordings.parquet"
    return {row["recording"]: row for row in tables.read(path, "recordings").to_pylist()}


NO_FAULT_OF_THE_MACHINE = ZeroDivisionError("division by zero")


def break_at(monkeypatch, stage, name, odd, error=NO_FAULT_OF_THE_MACHINE):
    """Let a function of a stage fail when `odd` says so of its arguments."""
    real = getattr(stage, name)

    def broken(*arguments):
        if odd(*arguments):
            raise error
        return real(*arguments)

    monkeypatch.setattr(stage, name, broken)


BROKEN = {
    "hits": (hits, "find", lambda take, *_: take.recording == "a2"),
    "aligned": (aligned, "align", lambda song, found, take, *_: take.recording == "a2"),
    "timing": (
        timing,
        "tables_of",
        lambda of, machine, song, takes: any(t.recording.recording == "a2" and not t.refused for t in takes),
    ),
}


@pytest.mark.parametrize("stage", BROKEN)
def test_a_recording_at_which_a_stage_fails_is_refused_with_its_reason_and_the_others_are_used(
    project, monkeypatch, capsys, stage
):
    break_at(monkeypatch, *BROKEN[stage])
    run_all()
    found = rows()
    assert [found[name]["status"] for name in ("a1", "a2", "a3")] == ["used", "refused", "used"]
    log = {
        "hits": "results/log/hits/a2.log",
        "aligned": "results/log/aligned/2031-05-03/a2.log",
        "timing": f"results/log/timing/2031-05-03/{GROUP}.log",
    }[stage]
    reason = (
        f"pindrift failed at this recording (ZeroDivisionError in {stage}); the log {log} has the details; report it"
    )
    assert found["a2"]["reason"] == reason
    printed = capsys.readouterr()
    assert reason in printed.out and "Traceback" not in printed.out + printed.err
    text = Path(log).read_text()
    assert "Traceback" in text and "division by zero" in text


MACHINE = {
    "disk full": (OSError(errno.ENOSPC, "No space left on device"), "expected room on the disk"),
    "quota": (OSError(errno.EDQUOT, "Disk quota exceeded"), "expected room on the disk"),
    "read only": (OSError(errno.EROFS, "Read-only file system"), "expected to be allowed to read and write"),
    "not allowed": (PermissionError(errno.EACCES, "Permission denied"), "expected to be allowed to read and write"),
    "memory": (MemoryError("Unable to allocate 9 GiB"), "expected enough memory"),
    "memory of Arrow": (pa.ArrowMemoryError("malloc"), "expected enough memory"),
    "too many files": (OSError(errno.EMFILE, "Too many open files"), "expected files and disk to answer"),
    "no temporary folder": (
        FileNotFoundError(errno.ENOENT, "No temporary folder"),
        "expected files and disk",
    ),
    "a part is missing": (ImportError("No module named 'soundfile'"), "expected all parts of pindrift"),
}


@pytest.mark.parametrize(("error", "words"), MACHINE.values(), ids=MACHINE)
def test_what_is_wrong_with_the_machine_fails_the_job_in_one_line_and_keeps_the_old_table(
    project, monkeypatch, capsys, error, words
):
    assert main(["hits", "my.yaml", "a2"]) == 0
    before = Path("results/hits/a2.parquet").read_bytes()
    break_at(monkeypatch, *BROKEN["hits"], error)
    capsys.readouterr()
    assert main(["hits", "my.yaml", "a2"]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert words in line and "older results are kept" in line
    assert Path("results/hits/a2.parquet").read_bytes() == before


def test_a_machine_that_fails_while_a_group_is_fitted_refuses_no_take(project, tmp_path):
    def make(takes):
        raise MemoryError

    with pytest.raises(MemoryError):
        failures.without_those_that_fail([make_take("a1", 1), make_take("a2", 1)], tmp_path / "log", make)


def test_a_disk_that_is_full_while_a_table_is_written_is_said_too(project, monkeypatch, capsys):
    monkeypatch.setattr(tables, "write", lambda *_: (_ for _ in ()).throw(OSError(errno.ENOSPC, "No space left", "x")))
    assert main(["hits", "my.yaml", "a1"]) == 1
    assert capsys.readouterr().err == (
        "hits a1: expected room on the disk; found 'No space left' at x; make room and run again; "
        "older results are kept\n"
    )


def make_take(name, n_played):
    rows = pa.table({"status": ["played"] * n_played})
    recording = load("my.yaml").recording(name)
    return Take(recording=recording, aligned=rows, hits=rows, said={"refused": "", "health": []})


@pytest.mark.parametrize(
    ("spoils", "refused"),
    [
        (lambda used: False, set()),
        (lambda used: "a2" in used, {"a2"}),  # fails alone
        (lambda used: bool({"a1", "a3"} & used), {"a1", "a3"}),  # two fail alone
        (lambda used: "a2" in used and len(used) > 1, {"a2"}),  # fails only beside others
        (lambda used: len(used) > 2, {"a3"}),  # whichever: the one that played least goes
        (lambda used: len(used) > 1, {"a1", "a2", "a3"}),
        (lambda used: bool(used), {"a1", "a2", "a3"}),
    ],
)
def test_the_take_without_which_the_others_can_be_fitted_is_found(project, tmp_path, spoils, refused):
    takes = [make_take(name, 9 - number) for number, name in enumerate(("a1", "a2", "a3"))]

    def make(takes):
        if spoils({take.recording.recording for take in takes if not take.refused}):
            raise ValueError("no curve")
        return takes

    made = failures.without_those_that_fail(takes, tmp_path / "log", make)
    assert {take.recording.recording for take in made if take.refused} == refused
    assert all("ValueError in timing" in take.refused for take in made if take.refused)
    assert (tmp_path / "log").exists() == bool(refused)


def test_what_a_user_can_mend_in_a_recording_is_its_reason_as_it_stands(tmp_path):
    def work():
        raise InputError("a1.csv: expected hits; found none; check the file")

    _, said = failures.refused_if_it_fails("hits", tmp_path / "log", work)
    assert said["refused"] == "a1.csv: expected hits; found none; check the file"
    assert not (tmp_path / "log").exists()


# --- stages by hand, out of order -------------------------------------------------------------------------------------

OUT_OF_ORDER = {
    "aligned": (["aligned", "my.yaml", "a1"], "results/hits/a1.parquet", "hits"),
    "timing": (["timing", "my.yaml", GROUP], "results/notes/round.parquet", "notes"),
    "tables": (["tables", "my.yaml"], f"results/groups/build_day=2031-05-03/{GROUP}/recordings.parquet", "timing"),
    "trend": (["trend", "my.yaml"], "results/tables/recordings.parquet", "tables"),
    "worklist": (["worklist", "my.yaml"], "results/tables/strikers.parquet", "tables"),
}


@pytest.mark.parametrize(("words", "path", "stage"), OUT_OF_ORDER.values(), ids=OUT_OF_ORDER)
def test_a_stage_before_the_one_it_needs_says_which_in_one_line(tmp_path, monkeypatch, capsys, words, path, stage):
    monkeypatch.chdir(make_project(tmp_path))
    assert main(words) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"{path}: expected the table")
    assert line.endswith(f"found no file; run the stage '{stage}' first, or the whole workflow")


def test_a_report_before_everything_is_one_line(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(make_project(tmp_path))
    assert main(["report", "my.yaml"]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert "found no file; run the stage" in line


@pytest.mark.parametrize("words", [["hits", "my.yaml", "a9"], ["timing", "my.yaml", "x"], ["notes", "my.yaml", "y"]])
def test_a_name_that_is_not_configured_is_one_line(tmp_path, monkeypatch, capsys, words):
    monkeypatch.chdir(make_project(tmp_path))
    assert main(words) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert "expected a configured" in line


# --- a disk that fills while a run goes on ----------------------------------------------------------------------------


def failed_run(folder, said):
    """Return the configuration and the progress of a run whose two jobs failed, each with a log that says so much."""
    config, run = load("my.yaml"), Progress(None, 1)
    for number, (name, text) in enumerate(said.items()):
        run.jobs[number], run.logs[number] = ("hits", name), f"results/log/{name}.log"
        run.failed.append(number)
        Path(run.logs[number]).parent.mkdir(parents=True, exist_ok=True)
        Path(run.logs[number]).write_text(text)
    return config, run


FULL = OSError(errno.ENOSPC, "No space left on device")


def test_a_disk_too_full_for_the_jobs_to_say_so_is_told_in_one_line(project, tmp_path, monkeypatch):
    config, run = failed_run(tmp_path, {"a1": "", "a2": "Traceback\nOSError: full\n"})
    assert run_command._failures(config, run)[0].startswith("hits a1: pindrift failed; the details are in")

    def full(dir):
        raise FULL

    monkeypatch.setattr("tempfile.TemporaryFile", full)
    assert run_command._failures(config, run) == [
        "pindrift run: expected room on the disk; found 'No space left on device' at results; make room and run again; "
        "older results are kept"
    ]
    # What a job could say itself stands, whatever else is wrong.
    config, run = failed_run(tmp_path, {"a1": "hits a1: expected this; found that; mend it\n"})
    assert run_command._failures(config, run)[0] == "hits a1: expected this; found that; mend it"


def test_what_many_jobs_say_alike_is_one_line(project, tmp_path):
    said = {f"a{n}": f"hits a{n}: expected room on the disk; found 'full'; make room\n" for n in range(30)}
    config, run = failed_run(tmp_path, said | {"b": "hits b: expected sound; found none; record\n"})
    assert run_command._failures(config, run)[:-1] == [
        "hits a0 and 29 more: expected room on the disk; found 'full'; make room",
        "hits b: expected sound; found none; record",
    ]


def test_an_engine_that_a_full_disk_stops_is_told_in_one_line_too(project, monkeypatch):
    config, run = failed_run(None, {})
    monkeypatch.setattr(run_command, "TRIED_BYTES", 0)
    Path("results/log").mkdir(exist_ok=True)
    Path("results/log/run.log").write_text("Traceback\nOSError: [Errno 28]\n")
    assert run_command._failures(config, run)[0].startswith("the workflow engine failed ('OSError: [Errno 28]')")
    with limited_files(1000):
        monkeypatch.setattr(run_command, "TRIED_BYTES", 2000)
        (line,) = run_command._failures(config, run)
    assert line.startswith("pindrift run: expected room on the disk; found 'File too large' at results; make room")


def test_the_pace_of_a_run_is_not_worth_a_failure(project, monkeypatch):
    _, run = failed_run(None, {})
    monkeypatch.setattr(run, "measured", lambda: 1.5)
    Path("results/log").mkdir(exist_ok=True)
    with limited_files(0):
        keep_pace("results", run)
    keep_pace("results", run)
    assert Path("results/log/pace.txt").read_text() == "1.500\n"


@contextmanager
def limited_files(n_bytes):
    """Let no file of this process grow beyond so many bytes: writing more fails as on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)


@pytest.mark.parametrize("room", [0, 1, 100, 1000])
def test_a_table_for_which_there_is_no_room_leaves_the_old_one_and_no_part_of_itself(project, capsys, room):
    assert main(["hits", "my.yaml", "a2"]) == 0
    before = {path: path.read_bytes() for path in Path("results").rglob("*") if path.is_file()}
    with limited_files(room):
        assert main(["hits", "my.yaml", "a2"]) == 1
    line = capsys.readouterr().err.strip()
    assert line == (
        "hits a2: expected room on the disk; found 'File too large' at results/hits/a2.parquet; make room and run "
        "again; older results are kept"
    )
    assert {path: path.read_bytes() for path in Path("results").rglob("*") if path.is_file()} == before


def test_a_draft_and_a_picture_for_which_there_is_no_room_leave_nothing(project, tmp_path, capsys):
    for words in (["new", "own", "--arrangement", "round.mid", "--recordings", "."], ["look", "a1.csv", "--bpm", "96"]):
        with limited_files(400):
            assert command_line(words) == 1
        (line,) = capsys.readouterr().err.splitlines()
        assert line.startswith(f"pindrift {words[0]}: expected room on the disk; found 'File too large' at ")
    assert not list(tmp_path.rglob("*.part")) and not list(tmp_path.glob("own/*")) and not list(tmp_path.glob("*.svg"))
    assert command_line(["look", "a1.csv", "--bpm", "96"]) == 0
    before = Path("a1-look.svg").read_bytes()
    with limited_files(400):
        assert command_line(["look", "a1.csv", "--bpm", "96"]) == 1
    assert Path("a1-look.svg").read_bytes() == before


def test_a_run_that_cannot_note_itself_says_so_and_nothing_more(project, monkeypatch):
    Path("results").mkdir(exist_ok=True)
    with limited_files(0), pytest.raises(OSError):
        engine.hold("results")
    gc.collect()  # a buffer that is written at the end would speak here, beside the line
    engine.hold("results").close()


def test_temporary_files_for_which_there_is_no_room_say_where_they_are(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    rows, sound = np.zeros(5000, [("kept", float), ("away", float, 20)]), np.zeros(10_000, np.float32)
    tries = {
        spool.Fields(("away",)): lambda kept: kept.put(rows),
        spool.Waveforms(Shape(50, 5, 64, 48_000)): lambda kept: kept.write(sound, np.arange(0, 10_000, 5)),
    }
    for temporary, write in tries.items():
        with limited_files(1000), pytest.raises(OSError) as raised, temporary as kept:
            write(kept)
        assert failures.line("hits a1", raised.value).startswith(
            f"hits a1: expected room on the disk; found 'File too large' at {tmp_path}; make room"
        )
