"""Interrupt `pindrift run` at random moments, start it again, and ask whether anything was lost or done twice.

    python -m tests.benchmarks.interrupted [n] [seed] [folder]

A small project of six lists of hits is run once whole. Then it is run from nothing and interrupted, again and again
until a run comes to its end, and so on with new copies until there were `n` interruptions (50). Each comes a random
time after the command was typed: SIGINT, SIGTERM or SIGKILL to the first process, or to all that it has started too, as
when the power goes. Wanted: the same bytes and the same text as of the whole run; no whole table of a recording is made
again; nothing half written and no process is left.
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
from contextlib import suppress
from pathlib import Path

from tests.test_commands import ENVIRONMENT, PINDRIFT
from tests.test_workflow import CONFIG, files, make_song, make_take, write_list

TAKES = ("a1", "a2", "a3", "b1", "b2", "b3")
BARS = 8
LONGEST_S = 20.0  # from typing the command to an interruption: a few jobs
CALL = [*PINDRIFT, "run", "my.yaml"]
BY = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
ANOTHER = "another run is going on"
OWN = ("pace.txt", "run.log", ".running")  # of each run its own


def main(n: int = 50, seed: int = 0, folder: str | None = None) -> int:
    """Print a line for each interruption and the counts; return 1 where anything was not as wanted."""
    chance, outcomes, number = random.Random(seed), Counter(), 0
    with tempfile.TemporaryDirectory(dir=folder) as root:
        whole = make_project(Path(root, "whole"))
        began = time.monotonic()
        text = finished(whole)
        print(f"a whole run: {time.monotonic() - began:.1f} s, {len(results(whole))} files of results", flush=True)
        while number < n:
            project, going = make_project(Path(root, "interrupted"), whole), True
            while going and number < n:
                by, everyone, after_s = BY[number % 3], chance.random() < 0.5, chance.uniform(0.2, LONGEST_S)
                going, faults, n_whole = interrupted(project, by, everyone, after_s)
                number += going
                outcomes.update(faults or ["as wanted"] * going)
                said = f"{by.name:7} to {'all' if everyone else 'first':5} after {after_s:4.1f} s"
                print(
                    f"{number:3d} {said if going else 'ended'}: {n_whole} whole tables {' '.join(faults)}", flush=True
                )
            outcomes.update(faults_at_the_end(project, whole, text) or ["ends with the same bytes and text"])
            shutil.rmtree(project)
    print(dict(outcomes))
    return int(len(outcomes) != 2)


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


def interrupted(project: Path, by: signal.Signals, everyone: bool, after_s: float) -> tuple[bool, list[str], int]:
    """Start a run and interrupt it.

    Returns
    -------
    was_going : bool
        It had not come to its end by itself.
    faults : list of str
        What is not as wanted.
    n_whole : int
        Tables of recordings that were there at the end.
    """
    before = stamps(project)
    process = subprocess.Popen(CALL, cwd=project, env=ENVIRONMENT, stdout=-1, stderr=-1, text=True)
    try:
        said = process.communicate(timeout=after_s)
    except subprocess.TimeoutExpired:
        for victim in [process.pid, *(children(process.pid) if everyone else [])]:
            with suppress(ProcessLookupError):
                os.kill(victim, by)
        said = process.communicate()
    while going_on(project):  # what outlives a killed first process comes to its end
        time.sleep(0.2)
    after, faults = stamps(project), []
    if "Traceback" in "".join(said):
        faults.append("TRACEBACK")
    if process.returncode not in (0, 130, -by):
        faults.append(f"STATUS {process.returncode}: {said[1].strip()}")
    if redone := [path.name for path, stamp in before.items() if after.get(path) != stamp]:
        faults.append(f"DONE AGAIN: {' '.join(redone)}")
    return process.returncode != 0, faults, len(after)


def stamps(project: Path) -> dict[Path, int]:
    """Return when the hits and the alignment of each recording were written."""
    paths = (path for kind in ("hits", "aligned") for path in project.glob(f"results/{kind}/**/*.parquet"))
    return {path: path.stat().st_mtime_ns for path in paths}


def faults_at_the_end(project: Path, whole: Path, text: str) -> list[str]:
    """Type the command once more, and return what is not as it is of the whole run."""
    faults = []
    if finished(project) != text:
        faults.append("ANOTHER TEXT")
    if results(project) != results(whole):
        faults.append("OTHER BYTES")
    if list(project.rglob("*.part")):
        faults.append("LEFT HALF WRITTEN")
    if going_on(project):
        faults.append("STILL RUNNING")
    return faults


def finished(project: Path) -> str:
    """Type the command until no other run is in its way; return what it prints."""
    while True:
        done = subprocess.run(CALL, cwd=project, env=ENVIRONMENT, capture_output=True, text=True)
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


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(main(*map(int, words[:2]), *words[2:]))
