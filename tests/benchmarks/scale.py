"""Print what a project costs as its recordings grow: seconds of CPU and of the clock, memory, size. Run:

    python -m tests.benchmarks.scale [1,10,100] [cores]

Lists of hits of a machine of eight strikers (the simulator of demo/, 24 bars), ten recordings a build day, through
`pindrift run` as a user types it: all of them, again with nothing to do, and again with one recording more.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from demo import chance as draws
from demo import machine as simulator
from demo import tune as tunes
from tests import timing_machine
from tests.list_project import Project

SEED, BARS, A_DAY = 8600, 24, 10
ROOT = Path(__file__).parents[2]


def main(counts="1,10,100", cores="2") -> None:
    print("recordings                 CPU s   a recording   clock s   largest process MB   results MB")
    for count in counts.split(","):
        with tempfile.TemporaryDirectory() as folder:
            grown(Path(folder), int(count), cores)


def grown(folder: Path, count: int, cores: str) -> None:
    """Print the lines of a project of so many recordings."""
    machine = draws.random_machine(8, SEED)
    tune = tunes.random_tune(8, BARS, SEED)
    notes = tunes.notes_table(tune, machine)
    faults = draws.random_faults(machine, notes, SEED)
    crew = draws.random_crew(machine, notes, faults, SEED)
    project = Project(folder, machine, tune)

    def record(number):
        day = timing_machine.DAY + timedelta(number // A_DAY)
        take = simulator.simulate(machine, notes, faults, crew, SEED + number)
        project.record(f"take-{number}", take, build_day=day.isoformat())

    for number in range(count):
        record(number)
    config = project.write()
    run(f"{count}", count, config, cores)
    run(f"{count}, nothing to do", 0, config, cores)
    record(count)
    project.write()
    run(f"{count}, and one more", 0, config, cores)


def run(said: str, count: int, config: str, cores: str) -> None:
    """Run the workflow, and print what it cost."""
    command = [sys.executable, "-P", "-c", "from pipeline.commands import main; raise SystemExit(main())"]
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
    before, began_s = _cpu_s(), time.monotonic()
    done = subprocess.run(
        [*command, "run", config, "--cores", cores], env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        sys.exit(done.stdout + done.stderr)
    cpu_s, clock_s = _cpu_s() - before, time.monotonic() - began_s
    # Of the largest process so far: it never falls.
    memory_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1000
    results = Path(config).parent / "results"
    size_mb = sum(one.stat().st_size for one in results.rglob("*") if one.is_file()) / 1e6
    each = f"{cpu_s / count:.2f}" if count else ""
    print(f"{said:24s} {cpu_s:7.1f} {each:>13s} {clock_s:9.1f} {memory_mb:20.0f} {size_mb:12.1f}", flush=True)


def _cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main(*sys.argv[1:])
