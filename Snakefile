"""From recordings to the report: notes -> hits -> aligned -> timing -> tables -> trend -> worklist -> report.

inputs:   --configfile CONFIG (config/template.yaml explains it), the recordings and arrangements it names
outputs:  the tables and the report under its `results:`
steps:    one job per recording for hits and aligned, one per group for timing, one for each of the rest

A missing recording is no declared input: whether it exists is part of `params`, so that a file that goes missing is
noticed. So is all of the configuration that a job depends on: what changes there runs only what depends on it.
"""

import os
import shlex
import sys
from pathlib import Path

sys.path.insert(0, str(workflow.basedir))

from snakemake.logging import logger

from pipeline import settings, tables
from pipeline.errors import InputError

if len(workflow.configfiles) != 1:
    sys.exit("expected one configuration; found none or several; say --configfile CONFIG once")
CONFIG = os.path.relpath(workflow.configfiles[0])  # names the same file on every machine that shares the folder
if workflow.config_settings.config:
    sys.exit("--config would not reach the stages; write it into the file that --configfile names")
try:
    SETTINGS = settings.load(CONFIG)
except InputError as error:
    sys.exit("\n".join(error.faults))

RESULTS = SETTINGS.results
GROUPS = SETTINGS.groups()
PATHS = {
    name: str(tables.path(RESULTS, name))
    for name in tables.CONTRACTS
    if name not in ("notes", "hits", "aligned", "lateness", "tempo")
}
NOTES = [tables.path(RESULTS, "notes", arrangement=one.name) for one in SETTINGS.arrangements]

ALIGNED = [
    tables.path(RESULTS, "aligned", build_day=take.build_day, recording=take.recording) for take in SETTINGS.recordings
]


def every(name):
    """Return each group's file of a table that stays apart."""
    return [tables.path(RESULTS, name, build_day=group.build_day, group=group.id) for group in GROUPS]


# The interpreter and the code of this checkout, whatever lies in the working directory; one thread a job.
PREFIX = (
    f"set -euo pipefail; export PYTHONPATH={shlex.quote(str(workflow.basedir))} OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1; "
    f'pindrift() {{ {shlex.quote(sys.executable)} -P -m pipeline "$@"; }}; '
)
shell.prefix(PREFIX.replace("{", "{{").replace("}", "}}"))


def worth_saying(record):
    """Keep the engine's small talk out of what the jobs say."""
    return not str(record.msg).startswith(("Select jobs to execute", "Execute "))


logger.addFilter(worth_saying)


onsuccess:
    print("\n" + Path(RESULTS, "report/finding.txt").read_text(encoding="utf-8"))


wildcard_constraints:
    arrangement="[^/]+",
    recording="[A-Za-z][A-Za-z0-9_.-]*",
    build_day=r"\d{4}-\d\d-\d\d",
    group="[^/]+",


def depends_on(stage):
    """Return a function of the wildcards: the hash of what the stage depends on in the configuration."""

    def of(wildcards):
        keys = {
            key: getattr(wildcards, key) for key in ("arrangement", "recording", "group") if hasattr(wildcards, key)
        }
        return settings.fingerprint(SETTINGS, stage=stage, **keys)

    return of


def files_of(wildcards):
    """Return what is there of a recording, and the idle recording that tells its noise."""
    there = [Path(SETTINGS.recording(wildcards.recording).file), Path(SETTINGS.detection.idle_file or "")]
    files = [path for path in there if path.is_file()]
    return files + sorted(
        path for folder in there[:1] if folder.is_dir() for path in folder.iterdir() if path.is_file()
    )


def arrangement_file(wildcards):
    return SETTINGS.arrangement_of(wildcards.arrangement).file or []


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


rule notes:
    """Read an arrangement, or a clock's grid, into notes."""
    input:
        arrangement_file,
    output:
        RESULTS + "/notes/{arrangement}.parquet",
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
        "pindrift notes -- {params.config:q} {wildcards.arrangement:q} 2>&1 | tee -- {log:q}"


rule hits:
    """Find the hits of a recording."""
    input:
        files_of,
    output:
        RESULTS + "/hits/{recording}.parquet",
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
        "pindrift hits -- {params.config:q} {wildcards.recording:q} 2>&1 | tee -- {log:q}"


rule aligned:
    """Align the hits of a recording to the notes of its arrangement."""
    input:
        notes_of,
        RESULTS + "/hits/{recording}.parquet",
    output:
        RESULTS + "/aligned/build_day={build_day}/recording={recording}/aligned.parquet",
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
        "pindrift aligned -- {params.config:q} {wildcards.recording:q} 2>&1 | tee -- {log:q}"


rule timing:
    """Fit a group: where it is late, and why."""
    input:
        of_group,
    output:
        RESULTS + "/tables/lateness/build_day={build_day}/{group}.parquet",
        RESULTS + "/tables/tempo/build_day={build_day}/{group}.parquet",
        directory(RESULTS + "/groups/build_day={build_day}/{group}"),
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
        "pindrift timing -- {params.config:q} {wildcards.group:q} 2>&1 | tee -- {log:q}"


rule tables:
    """Put the groups' tables together and delete what is no longer listed."""
    input:
        [tables.group_folder(RESULTS, group.build_day, group.id) for group in GROUPS],
    output:
        [PATHS[name] for name in tables.GATHERED],
    log:
        RESULTS + "/log/tables.log",
    threads: 1
    resources:
        mem_mb=500,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=settings.fingerprint(SETTINGS, stage="tables"),
    shell:
        "pindrift tables -- {params.config:q} 2>&1 | tee -- {log:q}"


rule trend:
    """Compare build days and set-ups."""
    input:
        PATHS["recordings"],
        NOTES,
    output:
        PATHS["trend"],
        PATHS["setups"],
    log:
        RESULTS + "/log/trend.log",
    threads: 1
    resources:
        mem_mb=500,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=settings.fingerprint(SETTINGS, stage="trend"),
    shell:
        "pindrift trend -- {params.config:q} 2>&1 | tee -- {log:q}"


rule worklist:
    """List what to mend next."""
    input:
        NOTES,
        ALIGNED,
        [PATHS[name] for name in ("strikers", "pins")],
        every("lateness"),
    output:
        PATHS["worklist"],
    log:
        RESULTS + "/log/worklist.log",
    threads: 1
    resources:
        mem_mb=500,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=settings.fingerprint(SETTINGS, stage="worklist"),
    shell:
        "pindrift worklist -- {params.config:q} 2>&1 | tee -- {log:q}"


rule report:
    """Write the report and the finding in a few lines."""
    input:
        NOTES,
        every("lateness"),
        every("tempo"),
        list(PATHS.values()),
    output:
        RESULTS + "/report/index.html",
        RESULTS + "/report/finding.txt",
    log:
        RESULTS + "/log/report.log",
    threads: 1
    resources:
        mem_mb=1000,
        runtime=10,
    params:
        config=CONFIG,
        depends_on=settings.fingerprint(SETTINGS, stage="report"),
    shell:
        "pindrift report -- {params.config:q} 2>&1 | tee -- {log:q}"
