"""Interrupt `pindrift run` at random moments, start it again, and ask whether anything was lost or done twice.

    python -m tests.benchmarks.interrupted [n] [seed] [folder]

A small project of six lists of hits is run once whole, then `n` times (50) from nothing: after a time drawn from the
whole run's, SIGINT, SIGTERM or SIGKILL goes to the first process, or to all that it has started too, as when the power
goes. Then the same command is typed again, once no job of the first goes on. Wanted: the same bytes and the same text
as of the whole run; what was finished is not made again; nothing half written and no process is left.
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.test_commands import ENVIRONMENT, PINDRIFT
from tests.test_workflow import CONFIG, files, make_song, make_take, write_list

TAKES = ("a1", "a2", "a3", "b1", "b2", "b3")
BARS = 8
BY = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
ANOTHER = "another run is going on"
OWN = ("pace.txt", "run.log", ".running")  # of each run its own


def main(n: int = 50, seed: int = 0, folder: str | None = None) -> int:
    """Print a line for each interruption and the counts; return 1 where anything was not as wanted."""
    chance, outcomes = random.Random(seed), Counter()
    with tempfile.TemporaryDirectory(dir=folder) as root:
        whole = make_project(Path(root, "whole"))
        began = time.monotonic()
        text = finished(whole)
        length_s = time.monotonic() - began
        print(f"a whole run: {length_s:.1f} s, {len(results(whole))} files of results")
        for number in range(n):
            project = make_project(Path(root, "interrupted"), whole)
            by, everyone, after_s = BY[number % 3], chance.random() < 0.5, chance.uniform(0.2, length_s)
            found = interrupted(project, by, everyone, after_s, whole, text)
            outcomes[found[0]] += 1
            victim = "all" if everyone else "first"
            print(f"{number:3d} {by.name:7} to {victim:5} after {after_s:5.1f} s: {', '.join(found)}", flush=True)
            shutil.rmtree(project)
    print(dict(outcomes))
    return int(set(outcomes) != {"same"})


def make_project(folder: Path, like: Path | None = None) -> Path:
    """Make the project, or copy its files but results, dates too."""
    folder.mkdir()
    if like is not None:
        for path in like.iterdir():
            if path.is_file():
                shutil.copy2(path, folder)
        return folder
    make_song(folder / "round.mid", bars=BARS)
    for seed, take in enumerate(TAKES):
        make_take(folder / f"{take}.csv", folder / "round.mid", seed)
    write_list(folder, [(one, f"{one}.csv", f"2031-05-0{3 + 'ab'.index(one[0])}", "") for one in TAKES])
    (folder / "my.yaml").write_text(CONFIG.format(song="round.mid"), encoding="utf-8")
    return folder


def interrupted(
    project: Path, by: signal.Signals, everyone: bool, after_s: float, whole: Path, text: str
) -> tuple[str, ...]:
    """Interrupt a run and finish it; return 'same' or what is not as wanted, and what was finished at that time."""
    call = [*PINDRIFT, "run", "my.yaml"]
    process = subprocess.Popen(call, cwd=project, env=ENVIRONMENT, stdout=-1, stderr=-1, text=True)
    try:
        said = process.communicate(timeout=after_s)
    except subprocess.TimeoutExpired:
        for victim in [process.pid, *(children(process.pid) if everyone else [])]:
            try:
                os.kill(victim, by)
            except ProcessLookupError:
                pass
        said = process.communicate()
    ended = process.returncode == 0
    wait_for_jobs(project)
    before = {path: path.stat().st_mtime_ns for path in project.glob("results/**/*.parquet")}
    again = finished(project)
    faults = []
    if "Traceback" in "".join(said):
        faults.append("TRACEBACK")
    if again != text:
        faults.append("ANOTHER TEXT")
    if results(project) != results(whole):
        faults.append("OTHER BYTES")
    if redone := [path.name for path, stamp in before.items() if path.stat().st_mtime_ns != stamp]:
        faults.append(f"DONE AGAIN: {' '.join(redone)}")
    if left := [path.name for path in project.rglob("*.part")]:
        faults.append(f"LEFT: {' '.join(left)}")
    if going_on(project):
        faults.append("STILL RUNNING")
    done = f"{len(before)} tables were finished" + (", the run had ended" if ended else "")
    return (*(faults or ["same"]), done)


def finished(project: Path) -> str:
    """Type the command until no other run is in its way; return what it prints."""
    while True:
        call = [*PINDRIFT, "run", "my.yaml"]
        done = subprocess.run(call, cwd=project, env=ENVIRONMENT, capture_output=True, text=True)
        if ANOTHER not in done.stderr:
            return done.stdout if done.returncode == 0 else f"status {done.returncode}: {done.stderr}"
        time.sleep(0.5)


def results(project: Path) -> dict[str, bytes]:
    """Return the bytes of all results."""
    return {name: data for name, data in files(project).items() if not name.endswith(OWN)}


def children(process: int) -> list[int]:
    """Return all processes that a process has started, and those that these have."""
    parents = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            parents[int(path.parent.name)] = int(path.read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
    found = [process]
    for one in found:
        found += [child for child, parent in parents.items() if parent == one]
    return found[1:]


def going_on(project: Path) -> list[int]:
    """Return the processes that work in the project's folder."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cwd"):
        try:
            if path.resolve() == project.resolve():
                found.append(int(path.parent.name))
        except OSError:
            continue
    return found


def wait_for_jobs(project: Path) -> None:
    """Wait until what outlives a killed first process has come to its end."""
    while going_on(project):
        time.sleep(0.2)


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(main(*map(int, words[:2]), *words[2:]))
