"""The user's commands as a user types them: in any folder, piped, with slips of the fingers, twice, interrupted."""

import heapq
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from pipeline.commands import engine, terminal
from pipeline.commands.progress import Progress, said_still
from tests.test_workflow import ROOT, files, make_project, read_list, stamps, write_list

PINDRIFT = [sys.executable, "-P", "-c", "import sys; from pipeline.commands import main; sys.exit(main())"]
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT), "COLUMNS": "80", "OMP_NUM_THREADS": "1"}


def pindrift(folder, *words, status=0):
    """Type a command in a folder; return the lines of what it prints, and of what it says beside it."""
    done = subprocess.run([*PINDRIFT, *words], cwd=folder, capture_output=True, text=True, env=ENVIRONMENT)
    assert done.returncode == status, done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    return done.stdout.splitlines(), done.stderr.splitlines()


def test_the_package_installs_the_command():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    module, _, name = project["project"]["scripts"]["pindrift"].partition(":")
    assert callable(getattr(import_module(module), name))
    # An installation outside the checkout carries the workflow, too.
    carried = [file for files in project["tool"]["setuptools"]["data-files"].values() for file in files]
    assert carried == ["Snakefile", "config/profile/config.yaml"]
    assert all((ROOT / file).is_file() for file in carried)


SLIPS = {
    "an unknown command": (["rnu"], "invalid choice: 'rnu'"),
    "no configuration": (["run"], "arguments are required: CONFIG"),
    "an unknown option": (["run", "my.yaml", "--coers", "2"], "unrecognized arguments: --coers 2"),
    "no cores": (["run", "my.yaml", "--cores", "0"], "argument --cores: expected a whole number from 1; found '0'"),
}


@pytest.mark.parametrize("case", SLIPS)
def test_a_slip_of_the_fingers_is_said_at_once(tmp_path, case):
    words, said = SLIPS[case]
    printed, beside = pindrift(tmp_path, *words, status=2)
    assert not printed and said in beside[-1] and len(beside) <= 3


@pytest.mark.parametrize("watched", [True, False])
def test_faults_are_wrapped_where_someone_watches_and_one_line_each_elsewhere(monkeypatch, capsys, watched):
    faults = ("my.yaml (line 3): expected " + "a good word " * 12, "my.yaml (line 9): expected less")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: watched)
    terminal.say_faults(faults)
    rows = capsys.readouterr().err.splitlines()
    assert " ".join(" ".join(rows).split()) == " ".join(" ".join(faults).split())
    assert (max(map(len, rows)) <= 80 and len(rows) == 4) if watched else len(rows) == 2


def test_typed_alone_it_lists_its_commands_and_the_first_to_type(tmp_path):
    printed, beside = pindrift(tmp_path)
    said = " ".join(printed)
    assert not beside and all(re.search(rf"    {name} +\w", said) for name in "new check run look export".split())
    first = printed[-1].removeprefix("To begin: pindrift ").split()
    _, beside = pindrift(tmp_path, *first, status=1)
    assert beside == ["song.mid: expected a standard MIDI file; found none; correct the path"]


def test_the_entry_imports_nothing_but_the_standard_library():
    code = (
        "import sys, pipeline.commands; print([name for name in ('numpy', 'pyarrow', 'yaml') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, env=ENVIRONMENT)
    assert done.stdout == "[]\n"


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    """A project in a folder with spaces outside the clone, and what the first run of it printed."""
    folder = tmp_path_factory.mktemp("at hand") / "my machine"
    project = make_project(folder / "barrel one", takes=("a1",))
    (project / "junk.wav").write_bytes(b"no sound")
    write_list(project, [*read_list(project), ("junk", "junk.wav", "2031-05-03", "one mic")])
    return folder, pindrift(folder, "run", "barrel one/my.yaml")


def test_a_run_ends_with_the_finding_in_at_most_twelve_lines_of_eighty_columns(workshop):
    folder, (printed, beside) = workshop
    assert not [line for line in beside if "steps done" not in line]  # no terminal in which a line is written over
    assert len(printed) <= 12 and all(len(row) <= 80 for row in printed)
    assert re.match(r"round, 3\sMay 2031, 1\stake: \w", printed[0])
    assert "1 of 2\N{NO-BREAK SPACE}recordings used, 1 refused." in printed
    assert any(row.startswith("  junk: junk.wav: expected audio") for row in printed)
    assert printed[-1] == "report: barrel one/results/report/index.html" and (folder / printed[-1][8:]).is_file()


def test_a_run_leaves_nothing_but_results_and_hidden_files(workshop):
    folder, _ = workshop
    assert [path.name for path in folder.iterdir()] == ["barrel one"]
    given = {"a1.csv", "junk.wav", "my.yaml", "recordings.csv", "round.mid", "results"}
    assert {path.name for path in (folder / "barrel one").iterdir() if path.name[0] != "."} == given


def test_a_run_with_nothing_to_do_prints_the_same_wherever_one_works_and_the_log_when_asked_for(workshop):
    folder, (printed, _) = workshop
    before = stamps(folder / "barrel one")
    again, beside = pindrift(folder / "barrel one", "run", "my.yaml", "--log")
    assert again == [*printed[:-1], "report: results/report/index.html"]
    assert "Nothing to be done" in " ".join(beside)
    changed = {path.name for path, stamp in stamps(folder / "barrel one").items() if stamp != before[path]}
    assert changed <= {"run.log", ".running"}


def test_a_second_run_in_the_same_folder_is_told_in_one_line_that_another_is_going_on(workshop):
    folder, _ = workshop
    with engine.hold(folder / "barrel one/results"):
        printed, beside = pindrift(folder, "run", "barrel one/my.yaml", status=1)
    assert not printed and len(beside) == 1
    who = rf"process {os.getpid()}, since \d\d:\d\d"
    assert re.match(rf"barrel one/results: another run is going on in this folder \({who}\); wait", beside[0])


def test_a_lock_that_a_killed_run_left_behind_stops_nobody(workshop):
    folder, (printed, _) = workshop
    (folder / "barrel one/results/.running").write_text("process 1, since 00:00")
    locks = folder / "barrel one/.snakemake/locks"
    locks.mkdir(exist_ok=True)
    (locks / "0.output.lock").write_text("results/report/index.html\n")
    assert pindrift(folder, "run", "barrel one/my.yaml")[0] == printed
    (locks / "0.output.lock").unlink()


def test_a_fault_of_the_configuration_is_one_line_as_one_would_type_its_path(tmp_path):
    make_project(tmp_path / "own", takes=("a1",))
    (tmp_path / "own/round.mid").unlink()
    printed, beside = pindrift(tmp_path, "run", "own/my.yaml", status=1)
    assert not printed and len(beside) == 1
    place = "own/my.yaml (line 1): arrangement 'round'"
    assert beside[0].startswith(f"{place}: expected a standard MIDI file at 'own/round.mid'; found no file")
    assert pindrift(tmp_path, "check", "nowhere.yaml", status=1)[1][0].startswith("nowhere.yaml: expected the conf")


def running_in(session):
    """Return the processes of a session that still run."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] != "Z":
            found.append(stat.parent.name)
    return found


def test_ctrl_c_ends_all_that_runs_and_says_in_one_line_how_to_go_on(tmp_path):
    make_project(tmp_path, takes=("a1",))
    process = subprocess.Popen(
        [*PINDRIFT, "run", "my.yaml"], cwd=tmp_path, env=ENVIRONMENT, stdout=-1, stderr=-1, text=True
    )
    log = tmp_path / "results/log/run.log"
    while process.poll() is None and not (log.exists() and "Building DAG" in log.read_text()):
        time.sleep(0.05)
    (engine_id,) = [
        int(path.parent.name)
        for path in Path("/proc").glob("[0-9]*/status")
        if f"PPid:\t{process.pid}\n" in path.read_text()
    ]
    process.send_signal(signal.SIGINT)
    printed, beside = process.communicate()
    assert process.returncode == 130 and not printed
    assert beside == "stopped; start again with the same command\n"
    assert not running_in(engine_id)


@pytest.mark.long
@pytest.mark.parametrize("after_s", [2.0, 5.0, 8.0])
@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_interrupted_and_started_again_with_the_same_command_it_ends_with_the_same_bytes(
    workshop, tmp_path, by, after_s
):
    folder, (printed, _) = workshop
    whole = {
        path: data for path, data in files(folder / "barrel one").items() if not path.endswith(("pace.txt", "run.log"))
    }
    copy = tmp_path / "barrel one"
    copy.mkdir()
    for path in (folder / "barrel one").iterdir():
        if path.is_file():
            (copy / path.name).write_bytes(path.read_bytes())
    process = subprocess.Popen([*PINDRIFT, "run", "barrel one/my.yaml"], cwd=tmp_path, env=ENVIRONMENT)
    time.sleep(after_s)
    process.send_signal(by)
    process.wait()
    while True:  # of a run whose first process alone was killed the jobs go on to their end
        done = subprocess.run(
            [*PINDRIFT, "run", "barrel one/my.yaml"], cwd=tmp_path, env=ENVIRONMENT, capture_output=True, text=True
        )
        if "another run is going on" not in done.stderr:
            break
        time.sleep(1)
    assert done.stdout.splitlines() == printed
    assert {path: data for path, data in files(copy).items() if path in whole} == whole


# --- a disk that is full or cannot be written -------------------------------------------------------------------------


@pytest.fixture
def disk(workshop, tmp_path):
    """A copy of the project whose folder of results is a disk of its own, and a function that sets its options."""
    project, results = tmp_path / "barrel one", tmp_path / "barrel one/results"
    results.mkdir(parents=True)
    for path in (workshop[0] / "barrel one").iterdir():
        if path.is_file():
            shutil.copy2(path, project)
    mounted = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", results], capture_output=True, check=False)
    if mounted.returncode:
        pytest.skip("no disk can be mounted here")
    yield project, lambda option: subprocess.run(["mount", "-o", f"remount,{option}", results], check=True)
    subprocess.run(["umount", "--lazy", results], check=True)


@pytest.mark.long
@pytest.mark.parametrize("command", ["run", "export"])
@pytest.mark.parametrize("option", ["size=60k", "size=300k", "ro"])
def test_a_disk_that_cannot_be_written_is_one_line_and_with_room_the_run_goes_on(workshop, disk, command, option):
    folder, (printed, _) = workshop
    project, mount = disk
    whole = files(folder / "barrel one")
    if command == "export":
        pindrift(project.parent, "run", "barrel one/my.yaml")
        used_kb = int(subprocess.check_output(["du", "-sk", project / "results"]).split()[0])
        option = option if option == "ro" else f"size={used_kb + int(option[5:-1]) // 20}k"
    before = files(project)
    mount(option)
    _, beside = pindrift(project.parent, command, "barrel one/my.yaml", status=1)
    expected = "a folder that can be written" if option == "ro" else "room on the disk"
    assert f": expected {expected}; found '" in beside[0]
    assert len(beside) <= 2 and not [path for path in project.rglob("*.part")]
    now = files(project)
    assert all(now[path] == data for path, data in before.items())
    assert all(now[path] == whole[path] for path in now if path.endswith("parquet"))
    mount("size=50m,rw")
    assert pindrift(project.parent, "run", "barrel one/my.yaml")[0] == printed
    done = files(project)
    tables_of = [{path: found[path] for path in found if path.endswith("parquet")} for found in (done, whole)]
    assert tables_of[0] == tables_of[1]


# --- how long still ---------------------------------------------------------------------------------------------------


class Known:
    """Costs of jobs that are known."""

    def __init__(self, costs):
        self.costs = costs

    def of(self, stage, name):
        return self.costs[stage, name]


def simulated(seed, cores, pace=2.5, jitter=0.3, before=None):
    """Run simulated jobs: return at each end of one the time that the run says it still takes, and the truth."""
    generator = np.random.default_rng(seed)
    jobs = [("hits", f"r{number}") for number in range(24)] + [("timing", f"g{number}") for number in range(4)]
    jobs += [(stage, "") for stage in ("tables", "trend", "worklist", "report")]
    costs = {job: generator.uniform(2, 12) if job[0] == "hits" else 5.0 for job in jobs}
    run = Progress(Known(costs), cores, before)
    plan = [[number, *job] for number, job in enumerate(jobs)]
    run.hear('["plan", ' + str(plan).replace("'", '"') + "]", 0.0)
    now_s, told, free, running = 0.0, [], cores, []
    for number, job in enumerate(jobs):
        # Every summary waits for all that runs.
        while not free or (job[1] == "" and running):
            now_s, ended = heapq.heappop(running)
            free += 1
            run.hear(f'["ended", [{ended}]]', now_s)
            told.append((now_s, run.still_s(now_s)))
        run.hear(f'["begun", [{number}]]', now_s)
        heapq.heappush(running, (now_s + costs[job] * pace * generator.uniform(1 - jitter, 1 + jitter), number))
        free -= 1
    end_s = running[-1][0]
    return [(still_s, end_s - at_s) for at_s, still_s in told]


@pytest.mark.parametrize("cores", [1, 2, 8])
@pytest.mark.parametrize("seed", range(4))
def test_how_long_still_is_told_to_a_quarter_from_a_third_of_the_way_on(cores, seed):
    told = simulated(seed, cores)
    for still_s, true_s in told[len(told) // 3 : -2]:
        assert abs(still_s - true_s) < 0.25 * true_s + 10


def test_how_long_still_is_not_told_before_anything_was_measured_and_by_the_run_before_if_there_was_one():
    run = Progress(Known({("hits", "a"): 60.0, ("report", ""): 4.0}), 2)
    assert run.line(0.0) == "looking what there is to do"
    run.hear('["plan", [[1, "hits", "a"], [2, "report", ""], [0, "all", ""]]]', 0.0)
    run.hear('["begun", [1]]', 0.0)
    assert run.line(1.0) == "finding the strikes of a: 0 of 2 steps done"
    run.pace = 2.0
    assert run.line(1.0) == "finding the strikes of a: 0 of 2 steps done, about 2 min still"
    run.hear('["ended", [1]]', 60.0)
    run.hear('["begun", [2]]', 60.0)
    assert run.line(60.0) == "writing the report: 1 of 2 steps done, a few seconds still"
    assert [said_still(one) for one in (9, 34, 88, 100, 1000)] == [
        "a few seconds still",
        "about 30 s still",
        "about 90 s still",
        "about 2 min still",
        "about 17 min still",
    ]


# --- export -----------------------------------------------------------------------------------------------------------


def test_exports_are_written_beside_the_report_and_lie_on_the_recording(workshop):
    import mido

    from pipeline import results, settings, tables

    folder, _ = workshop
    printed, beside = pindrift(folder, "export", "--csv", "barrel one/my.yaml")
    assert not beside and all(len(row) <= 80 for row in printed)
    said = " ".join(" ".join(printed).split())
    assert "exports/round-strip.html (and .svg): the barrel in its true size, 0 pins to move" in said
    assert printed[-2] == "no sound of a1: a list of hits, which has no sound"
    # The report links to what is there, and stands.
    page = (folder / "barrel one/results/report/index.html").read_text()
    assert {"../exports/a1.mid", "../exports/work-sheet.html"} <= set(re.findall(r'href="([^"]*)"', page))
    config = settings.load(str(folder / "barrel one/my.yaml"))
    assert not results.to_make_again(config, settings.Fingerprints(config))
    out = folder / "barrel one/results/exports"
    files = {path.name for path in out.iterdir()}
    sheets = {"work-sheet.html", "work-sheet.csv", "round-strip.html", "round-strip.svg"}
    assert files == {"a1.mid", "a1-hits.mid", *sheets, "tables"}
    assert {f"{name}.csv" for name in ("strikers", "pins", "worklist", "notes round")} <= {
        path.name for path in (out / "tables").iterdir()
    }
    hits = tables.read(folder / "barrel one/results/hits/a1.parquet", "hits")
    now_s, found = 0.0, {"a1.mid": [], "a1-hits.mid": []}
    for name, times in found.items():
        now_s = 0.0
        for message in mido.MidiFile(out / name):
            now_s += message.time
            if message.type == "note_on" and message.velocity:
                times.append(now_s)
    struck = np.sort(hits["hit_s"].to_numpy())
    np.testing.assert_allclose(found["a1-hits.mid"], struck, atol=1e-3)
    # The machine is steady, its strikes scatter by 2 ms and one striker is 5 ms late: the smooth times lie among them.
    assert np.median(np.abs(np.array(found["a1.mid"]) - struck)) < 0.004


def test_a_barrel_of_no_diameter_has_no_strip_and_the_older_one_goes(workshop):
    folder, _ = workshop
    config, out = folder / "barrel one/my.yaml", folder / "barrel one/results/exports"
    as_it_was = config.read_text("utf-8")
    pindrift(folder, "export", "barrel one/my.yaml")
    try:
        config.write_text(as_it_was.replace(", diameter_mm: 420", ""), "utf-8")
        printed, _ = pindrift(folder, "export", "barrel one/my.yaml")
    finally:
        config.write_text(as_it_was, "utf-8")
    said = " ".join(" ".join(printed).split())
    assert "round: no strip of the barrel: it needs bars_per_turn and diameter_mm under machine: barrel" in said
    assert not list(out.glob("*strip*"))


def test_a_project_of_which_no_recording_could_be_used_has_an_empty_sheet(tmp_path):
    make_project(tmp_path / "barrel", takes=["a1"])
    (tmp_path / "barrel" / "a1.csv").write_text("hit_s\n")
    pindrift(tmp_path, "run", "barrel/my.yaml")
    printed, beside = pindrift(tmp_path, "export", "barrel/my.yaml")
    assert not beside and any("of 0\xa0recordings the machine's tempo" in line for line in printed)


def test_an_export_before_a_run_says_what_to_do(tmp_path):
    make_project(tmp_path, takes=("a1",))
    _, beside = pindrift(tmp_path, "export", "my.yaml", status=1)
    assert beside == ["results: expected results; found no work list; first: pindrift run my.yaml"]
