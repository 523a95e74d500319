"""What the workflow and `pindrift run` have between them: one run at a time in a folder, and what it is doing.

The Snakefile holds the folder of results and tells, one line of JSON each, which jobs there are, which have begun,
ended or failed. `pindrift run` listens. Only the standard library: the workflow's start is paid at each run.
"""

import fcntl
import json
import logging
import os
import time
from pathlib import Path

from pipeline.errors import InputError

TOLD_THROUGH = "PINDRIFT_TELL"  # environment: the file descriptor that the workflow writes to
HELD = "PINDRIFT_HELD"  # environment: whoever started the workflow holds the folder of results
_FILE = ".running"


def hold(results: str):
    """Take the folder of results for one run; it is free again when the file returned is closed, or its process ends.

    Raises
    ------
    InputError
        Another run holds it.
    """
    Path(results).mkdir(parents=True, exist_ok=True)
    file = open(Path(results, _FILE), "ab+", buffering=0)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.seek(0)
        who = file.read().decode("utf-8", "replace").strip()
        raise InputError(
            f"{results}: another run is going on in this folder" + (f" ({who})" if who else "") + "; wait for its end"
        ) from None
    except OSError:  # a file system without locks: nobody can tell
        return file
    try:
        file.truncate(0)
        file.write(f"process {os.getpid()}, since {time.strftime('%H:%M')}".encode())
    except OSError:
        file.close()
        raise
    return file


def tell(logger: logging.Logger, workflow) -> None:
    """Have the workflow tell whoever started it what it is doing; nobody asked where the environment names no pipe."""
    if TOLD_THROUGH in os.environ:
        logger.addHandler(_Teller(int(os.environ[TOLD_THROUGH]), workflow))


class _Teller(logging.Handler):
    """Turn the engine's events into lines."""

    def __init__(self, pipe: int, workflow):
        super().__init__()
        self._pipe, self._workflow, self._planned = pipe, workflow, False

    def emit(self, record: logging.LogRecord) -> None:
        event = str(getattr(record, "event", None) or "")
        if event == "job_started":
            if not self._planned:
                self._planned = True
                dag = self._workflow.dag
                jobs = dag.needrun_jobs(exclude_finished=False)
                self._write(
                    "plan", [(dag.jobid(job), job.rule.name, _name(job), *map(str, job.log[:1])) for job in jobs]
                )
            self._write("begun", list(record.jobs))
        elif event == "job_finished":
            self._write("ended", [record.job_id])
        elif event == "job_error":
            self._write("failed", [record.jobid])

    def _write(self, what: str, of: list) -> None:
        line = json.dumps([what, of]).encode() + b"\n"
        try:
            while line:
                line = line[os.write(self._pipe, line) :]
        except OSError:  # nobody listens any more
            pass


def _name(job) -> str:
    """Return the recording, group or arrangement of a job, '' of a summary."""
    return next(
        (str(job.wildcards[key]) for key in ("recording", "group", "arrangement") if key in job.wildcards.keys()), ""
    )
