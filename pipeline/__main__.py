"""Run one stage: read, call, write.

`python -m pipeline check CONFIG` looks the configuration over; the other words are the rules of the Snakefile. A stage
is imported only when it is asked for: start-up is paid per job.
"""

import argparse
import os
import sys
from pathlib import Path

from pipeline import settings, tables
from pipeline.errors import InputError

STATUSES = ("played", "missed", "extra", "unheard", "outside", "undecided")


def check(config: settings.Settings) -> None:
    """Say every fault of the configuration and of recordings.csv, and run nothing."""
    for warning in settings.check(config.path):
        print(f"note: {warning}")
    recordings, groups = len(config.recordings), len(config.groups())
    print(f"{config.path}: no fault found; recordings: {recordings}; groups to compare: {groups}")


def notes(config: settings.Settings, arrangement: str) -> None:
    """Read an arrangement into its table of notes."""
    from pipeline import notes

    table = notes.notes(config, arrangement)
    configuration = settings.fingerprint(config, arrangement=arrangement, stage="notes")
    tables.write(tables.path(config.results, "notes", arrangement=arrangement), "notes", table, configuration)


def hits(config: settings.Settings, recording: str) -> None:
    """Find the hits of a recording."""
    from pipeline import hits

    take = config.recording(recording)
    machine = config.machine_of(take.setup, take.arrangement)
    table, said = hits.find(take, config.rig(take.rig), machine, config.detection)
    _tell(f"hits {recording}", f"{len(table)} hits", said)
    configuration = settings.fingerprint(config, recording=recording, stage="hits")
    tables.write(tables.path(config.results, "hits", recording=recording), "hits", table, configuration, said)


def aligned(config: settings.Settings, recording: str) -> None:
    """Align the hits of a recording to the notes of its arrangement."""
    take = config.recording(recording)
    found = tables.path(config.results, "hits", recording=recording)
    said = tables.said(found)
    table = tables.empty("aligned")
    if not said["refused"]:
        from pipeline import aligned

        song = tables.read(tables.path(config.results, "notes", arrangement=take.arrangement), "notes")
        machine = config.machine_of(take.setup, take.arrangement)
        table, more = aligned.align(song, tables.read(found, "hits"), take, config.rig(take.rig), machine)
        said = said | more | {"health": said.get("health", []) + more.get("health", [])}
        statuses = table["status"].to_pylist()
        counts = [f"{statuses.count(word)} {word}" for word in STATUSES if word in statuses]
        _tell(f"aligned {recording}", ", ".join(counts), more)
    configuration = settings.fingerprint(config, recording=recording, stage="aligned")
    path = tables.path(config.results, "aligned", build_day=take.build_day, recording=recording)
    tables.write(path, "aligned", table, configuration, said)


def timing(config: settings.Settings, group: str) -> None:
    """Fit one group: where it is late, and why."""
    from pipeline import timing

    of = config.group(group)
    song = tables.read(tables.path(config.results, "notes", arrangement=of.arrangement), "notes")
    takes = [_take(config, recording) for recording in of.recordings]
    made = timing.tables_of(of, config.machine_of(of.setup, of.arrangement), song, takes)
    _tell(f"timing {group}", f"{len(made['lateness'])} strikes explained", {})
    for take, row in zip(takes, made["recordings"].to_pylist(), strict=True):
        if not take.said["refused"] and row["reason"]:
            _tell(f"timing {row['recording']}", "", {"refused": row["reason"]})
        for fault in row["health"][len(take.said["health"]) :]:
            print(f"timing {row['recording']}: {fault}")
    configuration = settings.fingerprint(config, group=group, stage="timing")
    for name in ("lateness", "tempo"):
        path = tables.path(config.results, name, build_day=of.build_day, group=group)
        tables.write(path, name, made[name], configuration)
    for name in tables.GATHERED:
        folder = tables.group_folder(config.results, of.build_day, group)
        tables.write(folder / f"{name}.parquet", name, made[name], configuration)


def gather(config: settings.Settings) -> None:
    """Put the groups' tables together and delete what is no longer listed."""
    groups = config.groups()
    folders = [tables.group_folder(config.results, group.build_day, group.id) for group in groups]
    kept = {folder / f"{name}.parquet" for folder in folders for name in tables.GATHERED}
    for group in groups:
        keys = {"build_day": group.build_day, "group": group.id}
        kept |= {tables.path(config.results, name, **keys) for name in ("lateness", "tempo")}
    for take in config.recordings:
        kept.add(tables.path(config.results, "hits", recording=take.recording))
        kept.add(
            tables.path(config.results, "aligned", build_day=take.build_day, recording=take.recording),
        )
    kept |= {tables.path(config.results, "notes", arrangement=one.name) for one in config.arrangements}
    for path in tables.prune(config.results, kept):
        print(f"no longer listed, deleted: {path}")
    tables.gather(config.results, folders, settings.fingerprint(config, stage="tables"))


def trend(config: settings.Settings) -> None:
    """Compare the build days and the set-ups."""
    from pipeline import trend

    recordings = tables.read(tables.path(config.results, "recordings"), "recordings")
    configuration = settings.fingerprint(config, stage="trend")
    songs = {
        one.name: tables.read(tables.path(config.results, "notes", arrangement=one.name), "notes")
        for one in config.arrangements
    }
    made = {"trend": trend.trend(recordings, config.baseline), "setups": trend.setups(recordings, songs, config)}
    for name, table in made.items():
        tables.write(tables.path(config.results, name), name, table, configuration)


def worklist(config: settings.Settings) -> None:
    """List what to mend next."""
    from pipeline import worklist

    given = {name: tables.read(tables.path(config.results, name), name) for name in ("strikers", "pins")}
    lateness, aligned, notes = {}, {}, {}
    for group in config.groups():
        path = tables.path(config.results, "lateness", build_day=group.build_day, group=group.id)
        lateness[group.id] = tables.read(path, "lateness")
    for group in worklist.newest(config, lateness):
        path = tables.path(config.results, "notes", arrangement=group.arrangement)
        notes[group.arrangement] = tables.read(path, "notes")
        for take in group.recordings:
            path = tables.path(config.results, "aligned", build_day=take.build_day, recording=take.recording)
            aligned[take.recording] = tables.read(path, "aligned")
    table = worklist.jobs(config, lateness, aligned, notes, **given)
    configuration = settings.fingerprint(config, stage="worklist")
    tables.write(tables.path(config.results, "worklist"), "worklist", table, configuration)


def report(config: settings.Settings) -> None:
    """Write the report and the finding in a few lines."""
    from pipeline import report

    folder = Path(config.results) / "report"
    report.write(folder, config)
    lines = [*report.finding(config), f"report: {folder / 'index.html'}"]
    part = folder / ".finding.part"
    part.write_text("\n".join(lines) + "\n", encoding="utf-8")
    os.replace(part, folder / "finding.txt")


STAGES = {
    "check": check,
    "notes": notes,
    "hits": hits,
    "aligned": aligned,
    "timing": timing,
    "tables": gather,
    "trend": trend,
    "worklist": worklist,
    "report": report,
}


def main(words: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m pipeline", description=__doc__.partition("\n")[0])
    stages = parser.add_subparsers(dest="stage", required=True)
    for name, stage in STAGES.items():
        one = stages.add_parser(name, help=stage.__doc__, description=stage.__doc__)
        one.add_argument("config", help="configuration, as config/template.yaml explains")
        for argument in stage.__code__.co_varnames[1 : stage.__code__.co_argcount]:
            one.add_argument(argument)
    asked = vars(parser.parse_args(words))
    stage = STAGES[asked.pop("stage")]
    try:
        # The workflow has held the songs against the strikers at its start; a job need not read them again.
        stage(settings.load(asked.pop("config"), read_songs=stage is check), **asked)
    except InputError as error:
        print("\n".join(error.faults), file=sys.stderr)
        return 1
    return 0


def _take(config: settings.Settings, take: settings.Recording):
    from pipeline import timing

    path = tables.path(config.results, "aligned", build_day=take.build_day, recording=take.recording)
    found = tables.path(config.results, "hits", recording=take.recording)
    return timing.Take(
        recording=take,
        aligned=tables.read(path, "aligned"),
        hits=tables.read(found, "hits"),
        said=tables.said(path),
        rig=config.rig(take.rig),
    )


def _tell(job: str, found: str, said: dict) -> None:
    """Print one line for a job that went well or was refused, and one for each fault of the recording."""
    print(f"{job}: refused: {said['refused']}" if said.get("refused") else f"{job}: {found}")
    for fault in said.get("health", []):
        print(f"{job}: {fault}")


if __name__ == "__main__":
    sys.exit(main())
