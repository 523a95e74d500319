"""From recordings to the report: notes -> hits -> aligned -> timing -> tables -> worklist -> trend -> report.

inputs:   --configfile CONFIG (config/template.yaml explains it), the recordings and arrangements it names
outputs:  the tables and the report under its `results:`
steps:    one job per recording for hits and aligned, one per group for timing, one for each of the rest

Every job has a hash of all it depends on in its `params` and in the files it writes: files it reads, configuration,
code. What changes runs again what depends on it. At the start each result is asked for that hash; what is missing,
damaged or made for something else is made again, whatever dates say. Older results stay until theirs are whole.
"""

import os
import shlex
import sys
from functools import cache
from pathlib import Path

sys.path.insert(0, str(workflow.basedir))

from snakemake.logging import logger

from pipeline import results, settings, tables
from pipeline.commands import engine
from pipeline.errors import InputError

if len(workflow.configfiles) != 1:
    sys.exit("expected one configuration; found none or several; say --configfile CONFIG once")
CONFIG = os.path.abspath(workflow.configfiles[0])


# Wherever one works, jobs run in the configuration's folder: what they write and say is the same.
workdir: os.path.dirname(CONFIG)


CONFIG = os.path.relpath(CONFIG)  # names the same file on every machine that shares the folder
if workflow.config_settings.config:
    sys.exit("--config would not reach the stages; write it into the file that --configfile names")
try:
    SETTINGS = settings.load(CONFIG)
except InputError as error:
    sys.exit("\n".join(error.faults))

RESULTS = SETTINGS.results
FINGERPRINTS = settings.Fingerprints(SETTINGS)
GROUPS = SETTINGS.groups()
PATHS = {
    name: str(tables.path(RESULTS, name))
    for name in tables.CONTRACTS
    if name not in ("notes", "hits", "aligned", "lateness", "tempo")
}
PARTS = str(tables.group_folder(RESULTS, "{build_day}", "{group}") / "{name}.parquet")
NOTES = [tables.path(RESULTS, "notes", arrangement=one.name) for one in SETTINGS.arrangements]

ALIGNED = [
    tables.path(RESULTS, "aligned", build_day=take.build_day, recording=take.recording) for take in SETTINGS.recordings
]


FINDING = Path(RESULTS, "report/finding.txt")
FINDING_BEFORE = FINDING.stat().st_mtime_ns if FINDING.exists() else None


def every(name):
    """Return each group's file of a table that stays apart."""
    return [tables.path(RESULTS, name, build_day=group.build_day, group=group.id) for group in GROUPS]


# The interpreter and the code of this checkout, whatever lies in the working directory; one thread a job.
PREFIX = (
    f"set -euo pipefail; export PYTHONPATH={shlex.quote(str(workflow.basedir))} OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1; "
    # The log first: a job adds to it itself what need not be shown.
    'pindrift() { local log="$1"; shift; : >"$log"; '
    f'{shlex.quote(sys.executable)} -P -m pipeline "$@" 2>&1 | tee -a -- "$log"; }}; '
)
shell.prefix(PREFIX.replace("{", "{{").replace("}", "}}"))


def worth_saying(record):
    """Keep the engine's small talk out of what the jobs say."""
    small_talk = ("Select jobs to execute", "Execute ", "Restored previous version", "Cannot restore ")
    return not str(record.msg).startswith(small_talk)


for handler in logger.handlers:
    handler.addFilter(worth_saying)
if workflow.is_main_process:
    engine.tell(logger, workflow)


onstart:
    # Of two runs in one folder the second says so; `pindrift run` holds the folder already.
    if engine.HELD not in os.environ:
        try:
            HELD = engine.hold(RESULTS)
        except InputError as error:
            sys.exit(str(error))


onsuccess:
    # A run that was asked for less leaves the finding as it was, or has none.
    if FINDING.exists() and FINDING.stat().st_mtime_ns != FINDING_BEFORE:
        print("\n" + FINDING.read_text(encoding="utf-8") + f"report: {FINDING.absolute().with_name('index.html')}")


wildcard_constraints:
    arrangement="[^/]+",
    recording="[A-Za-z][A-Za-z0-9_.-]*",
    build_day=r"\d{4}-\d\d-\d\d",
    group="[^/]+",


def depends_on(stage):
    """Return a function of the wildcards: the hash of what the stage depends on in the configuration."""

    def of(wildcards):
        names = [getattr(wildcards, key, "") for key in ("arrangement", "recording", "group")]
        return FINGERPRINTS.of(stage, "".join(names))

    return of


@cache
def prepare():
    """Tell the engine what it must know while it puts the jobs together; every way leads to a job of notes or of hits.

    What does not stand is made again, as it does itself with files that it knows to be incomplete. Nothing is deleted:
    the older file stays until the new one is there.
    """
    if workflow.is_main_process:
        workflow.dag.forcefiles.update(results.to_make_again(SETTINGS, FINGERPRINTS))
    if workflow.local_exec:
        # A rate of starts is for clusters. To keep to it, the engine (9.27) looks at all that waits once a second anew
        # for each job that has ended: time that grows with the square of the recordings.
        workflow.scheduling_settings.max_jobs_per_timespan = None


def files_of(wildcards):
    """Return what is there of a recording, and the idle recording that tells its noise; their dates say nothing."""
    prepare()
    there = [Path(SETTINGS.recording(wildcards.recording).file), Path(SETTINGS.detection.idle_file or "")]
    files = [path for path in there if path.is_file()]
    tracks = [path for folder in there[:1] if folder.is_dir() for path in folder.iterdir()]
    return ancient(files + sorted(path for path in tracks if path.is_file() and path.name[0] != "."))


def arrangement_file(wildcards):
    prepare()
    file = SETTINGS.arrangement_of(wildcards.arrangement).file
    return ancient(file) if file else []


def notes_of(wildcards):
    arrangement = SETTINGS.recording(wildcards.recording).arrangement
    return tables.path(RESULTS, "notes", arrangement=arrangement)


def of_group(wildcards):
    group = SETTINGS.group(wildcards.group)
    paths = [tables.path(RESULTS, "notes", arrangement=group.arrangement)]
    for take in group.recordings:
        paths.append(tables.path(RESULTS, "hits", recording=take.recording))
        paths.append(tables.path(RESULTS, "aligned", build_day=take.build_day, recording=take.recording))
    return paths


localrules:
    all,
    tables,
    trend,
    worklist,


rule all:
    input:
        RESULTS + "/report/index.html",
        str(FINDING),


rule notes:
    """Read an arrangement, or a clock's grid, into notes."""
    input:
        arrangement_file,
    output:
        update(RESULTS + "/notes/{arrangement}.parquet"),
    log:
        RESULTS + "/log/notes/{arrangement}.log",
    threads: 1
    resources:
        mem_mb=500,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=depends_on("notes"),
    shell:
        "pindrift {log:q} notes -- {params.config:q} {wildcards.arrangement:q}"


rule hits:
    """Find the hits of a recording."""
    input:
        files_of,
    output:
        update(RESULTS + "/hits/{recording}.parquet"),
    log:
        RESULTS + "/log/hits/{recording}.log",
    threads: 1
    resources:
        mem_mb=800,
        runtime=60,
    params:
        config=CONFIG,
        depends_on=depends_on("hits"),
    shell:
        "pindrift {log:q} hits -- {params.config:q} {wildcards.recording:q}"


rule aligned:
    """Align the hits of a recording to the notes of its arrangement."""
    input:
        notes_of,
        files_of,
        RESULTS + "/hits/{recording}.parquet",
    output:
        update(RESULTS + "/aligned/build_day={build_day}/recording={recording}/aligned.parquet"),
    log:
        RESULTS + "/log/aligned/{build_day}/{recording}.log",
    threads: 1
    resources:
        mem_mb=800,
        runtime=30,
    params:
        config=CONFIG,
        depends_on=depends_on("aligned"),
    shell:
        "pindrift {log:q} aligned -- {params.config:q} {wildcards.recording:q}"


rule timing:
    """Fit a group: where it is late, and why."""
    input:
        of_group,
    output:
        update(RESULTS + "/tables/lateness/build_day={build_day}/{group}.parquet"),
        update(RESULTS + "/tables/tempo/build_day={build_day}/{group}.parquet"),
        update(expand(PARTS, name=tables.GATHERED, allow_missing=True)),
    log:
        RESULTS + "/log/timing/{build_day}/{group}.log",
    threads: 1
    resources:
        mem_mb=2000,
        runtime=60,
    params:
        config=CONFIG,
        depends_on=depends_on("timing"),
    shell:
        "pindrift {log:q} timing -- {params.config:q} {wildcards.group:q}"


rule tables:
    """Put the groups' tables together and delete what is no longer listed."""
    input:
        [PARTS.format(build_day=one.build_day, group=one.id, name=name) for one in GROUPS for name in tables.GATHERED],
    output:
        update([PATHS[name] for name in tables.GATHERED]),
    log:
        RESULTS + "/log/tables.log",
    threads: 1
    resources:
        mem_mb=500,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=FINGERPRINTS.of("tables"),
    shell:
        "pindrift {log:q} tables -- {params.config:q}"


rule worklist:
    """List what to mend next."""
    input:
        NOTES,
        ALIGNED,
        [PATHS[name] for name in ("strikers", "pins", "recordings")],
        every("lateness"),
        every("tempo"),
    output:
        update([PATHS[name] for name in ("worklist", "asked")]),
    log:
        RESULTS + "/log/worklist.log",
    threads: 1
    resources:
        mem_mb=500,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=FINGERPRINTS.of("worklist"),
    shell:
        "pindrift {log:q} worklist -- {params.config:q}"


rule trend:
    """Compare build days and set-ups."""
    input:
        [PATHS[name] for name in ("recordings", "pins", "strikers", "shafts", "budget", "inertia", "asked")],
        NOTES,
    output:
        update([PATHS[name] for name in ("trend", "setups", "changes", "takes")]),
    log:
        RESULTS + "/log/trend.log",
    threads: 1
    resources:
        mem_mb=500,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=FINGERPRINTS.of("trend"),
    shell:
        "pindrift {log:q} trend -- {params.config:q}"


rule report:
    """Write the report, the sounds that it plays and the finding in a few lines."""
    input:
        NOTES,
        ALIGNED,
        every("lateness"),
        every("tempo"),
        list(PATHS.values()),
    output:
        update([RESULTS + "/report/index.html", str(FINDING)]),
    log:
        RESULTS + "/log/report.log",
    threads: 1
    resources:
        mem_mb=1000,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=FINGERPRINTS.of("report"),
    shell:
        "pindrift {log:q} report -- {params.config:q}"
