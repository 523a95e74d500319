"""Tell what goes wrong at one recording from what goes wrong with the machine that runs the job.

The first ends as a refused recording with its reason, and stops nobody else's tables; the traceback goes into the
job's log. The second fails the job in one line, and older results stay.
"""

import errno
import traceback
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pyarrow as pa

from pipeline import tables
from pipeline.errors import DISK_FULL, InputError

_NOT_ALLOWED = (errno.EACCES, errno.EPERM, errno.EROFS)
# What reading an odd file raises without the machine being at fault.
_OF_A_FILE = (None, errno.EINVAL)


def is_of_the_machine(error: BaseException) -> bool:
    """Tell whether the machine is at fault: memory, disk, permissions, an installation that lacks something."""
    if isinstance(error, OSError):
        return error.errno not in _OF_A_FILE
    return isinstance(error, (MemoryError, ImportError))


def line(job: str, error: BaseException) -> str:
    """Say in one line what the machine lacks: expected; found; what to do."""
    what = getattr(error, "strerror", None) or str(error) or type(error).__name__
    found = f"'{what}'" + (f" at {error.filename}" if getattr(error, "filename", None) else "")
    if isinstance(error, MemoryError):
        expected, do = "enough memory", "close other programs, or run one job at a time (--cores 1), and run again"
    elif isinstance(error, ImportError):
        expected, do = "all parts of pindrift", "install it again"
    elif error.errno in DISK_FULL:
        expected, do = "room on the disk", "make room and run again"
    elif error.errno in _NOT_ALLOWED:
        expected, do = "to be allowed to read and write", "change the permissions and run again"
    else:
        expected, do = "files and disk to answer", "mend that and run again"
    return " ".join(f"{job}: expected {expected}; found {found}; {do}; older results are kept".split())


def refused_if_it_fails(stage: str, log: Path, work: Callable[[], tuple[pa.Table, dict]]) -> tuple[pa.Table, dict]:
    """Return what `work` makes of one recording, or an empty table and the reason why it failed.

    Parameters
    ----------
    stage : str
        Name of the stage and of its table.
    log : Path
        Where the traceback goes.
    work : callable
        Returns the table and what is said of the recording.
    """
    try:
        return work()
    except Exception as error:
        return tables.empty(stage), {"refused": _reason(error, stage, log), "health": []}


def without_those_that_fail(takes: list, log: Path, make: Callable[[list], dict[str, pa.Table]]) -> dict[str, pa.Table]:
    """Return what `make` makes of the takes of a group; takes at which it fails are refused.

    Takes that fail alone are refused. If none does, the one is refused without which the others do not fail; if there
    is no such take, all are.

    Parameters
    ----------
    takes : list of timing.Take
    log : Path
        Where tracebacks go.
    make : callable
        Returns the tables of the takes, also if all of them are refused.

    Raises
    ------
    MemoryError, OSError, ImportError
        The machine that runs the job is at fault (`is_of_the_machine`): no take is refused.
    """
    used = [take for take in takes if not take.refused]
    made, failed = _tried(make, takes) if used else (make(takes), None)
    if failed is None:
        return made
    alone = [(take, _tried(make, [take])[1]) for take in used]
    reasons = {id(take): _reason(error, "timing", log) for take, error in alone if error}
    if not reasons:
        reason = _reason(failed, "timing", log)
        # The fewest notes played, the likeliest to be odd, and the least to lose.
        for take in sorted(used, key=lambda take: take.aligned["status"].to_pylist().count("played")):
            fewer = _refused(takes, {id(take): reason})
            made, failed = _tried(make, fewer)
            if failed is None:
                return made
        reasons = {id(take): reason for take in used}
    return without_those_that_fail(_refused(takes, reasons), log, make)


def _tried(make: Callable, takes: list) -> tuple[dict | None, Exception | None]:
    """Return what is made of the takes, or why it is not; what is wrong with the machine is raised."""
    try:
        return make(takes), None
    except Exception as error:
        if is_of_the_machine(error):
            raise
        return None, error


def _refused(takes: list, reasons: dict[int, str]) -> list:
    """Return the takes, those refused that have a reason by their `id`."""
    return [
        replace(take, said=take.said | {"refused": reasons[id(take)]}) if id(take) in reasons else take
        for take in takes
    ]


def _reason(error: Exception, stage: str, log: Path) -> str:
    """Return why a recording is refused, its traceback put into the log; the machine's faults are raised again."""
    if isinstance(error, InputError):
        return error.faults[0]
    if is_of_the_machine(error):
        raise error
    log.parent.mkdir(parents=True, exist_ok=True)
    with open(log, "a", encoding="utf-8") as file:
        file.write("".join(traceback.format_exception(error)))
    return (
        f"pindrift failed at this recording ({type(error).__name__} in {stage}); the log {log} has the details; "
        "report it"
    )
