"""Run the workflow on a configuration: a line that says how far it is, at the end the finding in a few lines."""

import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pipeline import failures, settings
from pipeline.commands import engine, terminal
from pipeline.commands.progress import Costs, Line, Progress, keep_pace, pace_of
from pipeline.errors import InputError

LOG = "log/run.log"  # in the folder of results: what the workflow engine says
MOST_FAILED = 6  # jobs that failed, named with their reasons; chosen
TRIED_BYTES = 2**18  # about what the largest files of a small project take; chosen
_LOOK_S = 0.5  # between two looks at the clock while nothing happens
_STOP_S = 5.0  # what jobs get to end by themselves


def command(config: str, cores: int | None = None, log: bool = False) -> int:
    """Run what is to be done for a configuration and print the finding; return the exit status.

    Parameters
    ----------
    config : str
    cores : int, optional
        How many jobs run at a time; all of the machine by default.
    log : bool
        Show what the workflow engine says in place of the line of progress.

    Raises
    ------
    InputError
        The configuration has faults, or another run is going on in its results.
    """
    loaded = settings.load(config)
    settings.claim(loaded.results, loaded.path)
    cores = cores or os.cpu_count() or 1
    with engine.hold(loaded.results) as held:
        run = Progress(Costs(loaded), cores, pace_of(loaded.results))
        status = _run(loaded, run, held, log)
        keep_pace(loaded.results, run)
    if status or run.failed:
        raise InputError(*_failures(loaded, run))
    terminal.say(*finding(loaded.results))
    return 0


def finding(results: str) -> list[str]:
    """Return the finding as the report's stage has written it, and where the report is."""
    report = Path(results, "report")
    lines = report.joinpath("finding.txt").read_text(encoding="utf-8").splitlines()
    return [*lines, f"report: {report / 'index.html'}"]


def home() -> Path:
    """Return the folder that holds the Snakefile and config/profile: the checkout, or where an installation puts them.

    Raises
    ------
    InputError
        Neither has them.
    """
    for folder in (Path(__file__).parents[2], Path(sys.prefix, "share", "pindrift")):
        if (folder / "Snakefile").is_file() and (folder / "config" / "profile").is_dir():
            return folder
    raise InputError("pindrift run: expected the workflow beside the package; found none; install pindrift again")


def _run(config: settings.Settings, run: Progress, held, show: bool) -> int:
    """Run the workflow and say how far it is; return its exit status."""
    folder = home()
    path = os.path.abspath(config.path)
    call = [sys.executable, "-P", "-m", "snakemake", "--snakefile", folder / "Snakefile"]
    call += ["--workflow-profile", folder / "config" / "profile", "--configfile", path]
    call += ["--directory", os.path.dirname(path), "--cores", str(run.cores)]
    call += ["--quiet", "host", "rules"]  # the engine tells of the end of a job only when it may show progress
    log = Path(config.results, LOG)
    log.parent.mkdir(parents=True, exist_ok=True)
    ours, theirs = os.pipe()
    environment = os.environ | {engine.TOLD_THROUGH: str(theirs), engine.HELD: "1"}
    with open(log, "wb") as file:
        process = subprocess.Popen(
            call,
            stdin=subprocess.DEVNULL,
            stdout=sys.stderr if show else file,
            stderr=sys.stderr if show else file,
            env=environment,
            pass_fds=(theirs, held.fileno()),
            start_new_session=True,
        )
    os.close(theirs)
    line = None if show else Line(sys.stderr, shutil.get_terminal_size((80, 24)).columns)
    for one in (signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(one) != signal.SIG_IGN:  # whoever has said nohup wants it to go on
            signal.signal(one, signal.default_int_handler)
    try:
        _listen(ours, run, line)
        return process.wait()
    finally:
        _stop(process)
        os.close(ours)
        if line:
            line.clear()


def _listen(pipe: int, run: Progress, line: Line | None) -> None:
    """Take up what the workflow tells until it ends, and show how far it is."""
    heard = b""
    while True:
        if line:
            line.show(run.line(time.monotonic()))
        if not select.select([pipe], [], [], _LOOK_S)[0]:
            continue
        if not (more := os.read(pipe, 1 << 16)):
            return
        *lines, heard = (heard + more).split(b"\n")
        for one in lines:
            run.hear(one.decode(), time.monotonic())


def _stop(process: subprocess.Popen) -> None:
    """End the workflow and all that it has started, if they still run; files appear whole or not at all."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGINT)
            process.wait(_STOP_S)
    except subprocess.TimeoutExpired:
        pass
    finally:
        try:
            os.killpg(process.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        process.wait()
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _failures(config: settings.Settings, run: Progress) -> list[str]:
    """Return a line for each job that failed: what it said itself, else where its details are."""
    folder = os.path.dirname(config.path)
    paths = {one: os.path.normpath(os.path.join(folder, run.logs.get(one, ""))) for one in run.failed}
    logs = {" ".join(run.jobs[one]).strip(): path for one, path in paths.items()}
    said = [_said(log) for log in logs.values()]
    if not logs or not all("expected" in line for line in said):  # a job may not have come to its last line
        try:
            _try_disk(config.results, folder)
        except OSError as error:
            return [failures.line("pindrift run", error)]
    said = _each_once({job: line or _unsaid(job, logs[job]) for job, line in zip(logs, said, strict=True)})
    if len(said) > MOST_FAILED:
        said[MOST_FAILED:] = [f"and {len(said) - MOST_FAILED} more"]
    if not said:
        log = Path(config.results, LOG)
        last = (_lines(log) or [""])[-1]
        said = [f"the workflow engine failed ('{last}'); the details are in {log}"]
    return [*said, "what is finished is kept; when that is mended, start again with the same command"]


def _each_once(said: dict[str, str]) -> list[str]:
    """Return what each job said; where several said the same, as on a full disk, the first alone with their number."""
    alike = {}
    for job, line in said.items():
        alike.setdefault(line.removeprefix(f"{job}: "), []).append((job, line))
    return [
        f"{jobs[0][0]} and {len(jobs) - 1} more: {text}" if len(jobs) > 1 and jobs[0][1] != text else jobs[0][1]
        for text, jobs in alike.items()
    ]


def _said(log: str) -> str:
    """Return the line in which a job that failed says why; '' where it could not say it."""
    lines = _lines(log)
    return "" if not lines or any(line.startswith("Traceback") for line in lines) else lines[-1]


def _unsaid(job: str, log: str) -> str:
    why = "".join(f" ({line})" for line in _lines(log)[-1:])
    return f"{job}: pindrift failed{why}; the details are in {log}; report it"


def _lines(log: str | Path) -> list[str]:
    try:
        text = Path(log).read_text("utf-8", errors="replace")
    except OSError:
        return []
    return [line.strip() for line in text.splitlines() if line.strip()]


def _try_disk(*folders: str) -> None:
    """Write a little into each folder and delete it again; raise OSError where that cannot be done.

    On a full disk a job cannot write its log either, nor the engine what it needs.
    """
    for folder in folders:
        try:
            with tempfile.TemporaryFile(dir=folder or ".") as file:
                file.write(bytes(TRIED_BYTES))
        except OSError as error:
            raise OSError(error.errno, error.strerror, folder or ".") from None
