"""Run one stage: read, call, write. The words are the rules of the Snakefile, and `check`.

A stage is imported only when it is asked for: start-up is paid per job. `pipeline.commands` holds the user's commands.
"""

import argparse
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

from pipeline import failures, results, settings, tables
from pipeline.errors import InputError

STATUSES = ("played", "missed", "extra", "unheard", "outside", "undecided")


def check(config: str) -> None:
    """Look a configuration over, with all it names, as `pindrift check` does."""
    from pipeline.commands import check

    check.command(config)


def notes(config: settings.Settings, arrangement: str) -> None:
    """Read an arrangement into its table of notes."""
    from pipeline import notes

    keep = _keeper(config, "notes", arrangement)
    keep("notes", notes.notes(config, arrangement), arrangement=arrangement)


def hits(config: settings.Settings, recording: str) -> None:
    """Find the hits of a recording."""
    from pipeline import hits

    take = config.recording(recording)
    machine = config.machine_of(take.setup, take.arrangement)
    keep = _keeper(config, "hits", recording)
    log = tables.log(config.results, "hits", recording)
    found = partial(hits.find, take, config.rig(take.rig), machine, config.detection)
    table, said = failures.refused_if_it_fails("hits", log, found)
    _tell(f"hits {recording}", f"{len(table)} hits", said)
    keep("hits", table, {"duration_s": 0.0, "rate_hz": 0, "n_channels": 0} | said, recording=recording)


def aligned(config: settings.Settings, recording: str) -> None:
    """Align the hits of a recording to the notes of its arrangement."""
    take = config.recording(recording)
    keep = _keeper(config, "aligned", recording)
    found = tables.path(config.results, "hits", recording=recording)
    said = tables.said(found, "hits")
    table = tables.empty("aligned")
    if not said["refused"]:
        from pipeline import aligned

        song = tables.read(tables.path(config.results, "notes", arrangement=take.arrangement), "notes")
        machine = config.machine_of(take.setup, take.arrangement)
        of = song, tables.read(found, "hits"), take, config.rig(take.rig), machine
        log = tables.log(config.results, "aligned", recording, take.build_day)
        table, more = failures.refused_if_it_fails("aligned", log, partial(aligned.align, *of))
        said = said | more | {"health": said.get("health", []) + more.get("health", [])}
        statuses = table["status"].to_pylist()
        counts = [f"{statuses.count(word)} {word}" for word in STATUSES if word in statuses]
        _tell(f"aligned {recording}", ", ".join(counts), more)
    keep("aligned", table, said, build_day=take.build_day, recording=recording)


def timing(config: settings.Settings, group: str) -> None:
    """Fit one group: where it is late, and why."""
    from pipeline import timing

    of = config.group(group)
    keep = _keeper(config, "timing", group)
    song = tables.read(tables.path(config.results, "notes", arrangement=of.arrangement), "notes")
    takes = [_take(config, recording) for recording in of.recordings]
    make = partial(timing.tables_of, of, config.machine_of(of.setup, of.arrangement), song)
    log = tables.log(config.results, "timing", group, of.build_day)
    made = failures.without_those_that_fail(takes, log, make)
    _tell(f"timing {group}", f"{len(made['lateness'])} strikes explained", {})
    rows = {row["recording"]: row for row in made["recordings"].to_pylist()}
    for take in takes:
        row = rows[take.recording.recording]
        if not take.said["refused"] and row["reason"]:
            _tell(f"timing {row['recording']}", "", {"refused": row["reason"]})
        for fault in row["health"][len(take.said["health"]) :]:
            print(f"timing {row['recording']}: {fault}")
    for name in ("lateness", "tempo"):
        keep(name, made[name], build_day=of.build_day, group=group)
    for name in tables.GATHERED:
        keep(name, made[name], folder=tables.group_folder(config.results, of.build_day, group))


def gather(config: settings.Settings) -> None:
    """Put the groups' tables together and delete what is no longer listed."""
    keep = _keeper(config, "tables")
    groups = config.groups()
    folders = [tables.group_folder(config.results, group.build_day, group.id) for group in groups]
    for name, table in tables.gather(folders).items():
        keep(name, table)
    kept = {Path(result.path) for result in results.listed(config, settings.Fingerprints(config))}
    for path in tables.prune(config.results, kept, settings.mark(config.results, config.path)):
        print(f"no longer listed, deleted: {path}")


def trend(config: settings.Settings) -> None:
    """Compare the build days and the set-ups."""
    from pipeline import trend

    keep = _keeper(config, "trend")
    names = ("recordings", "pins", "strikers", "shafts", "budget", "inertia", "asked")
    read = {name: tables.read(tables.path(config.results, name), name) for name in names}
    songs = {
        one.name: tables.read(tables.path(config.results, "notes", arrangement=one.name), "notes")
        for one in config.arrangements
    }
    inertia, recordings = read.pop("inertia"), read["recordings"]
    compared = trend.trend(recordings, config.baseline, tuple(take.recording for take in config.recordings))
    keep("trend", compared)
    keep("takes", trend.takes(config, recordings, compared))
    keep("setups", trend.setups(recordings, read["strikers"], inertia, songs, config))
    keep("changes", trend.changes(config, songs, **read))


def worklist(config: settings.Settings) -> None:
    """List what to mend next, and what the group before would have been asked."""
    from pipeline import worklist

    keep = _keeper(config, "worklist")
    names = ("strikers", "pins", "recordings", "slips")
    given = {name: tables.read(tables.path(config.results, name), name) for name in names}
    lateness, tempo, aligned, notes = {}, {}, {}, {}
    for group in config.groups():
        path = tables.path(config.results, "lateness", build_day=group.build_day, group=group.id)
        lateness[group.id] = tables.read(path, "lateness")
    newest = worklist.newest(config, lateness)
    older = lateness | {group.id: tables.empty("lateness") for group in newest}
    for group in [*newest, *worklist.newest(config, older)]:
        path = tables.path(config.results, "notes", arrangement=group.arrangement)
        notes[group.arrangement] = tables.read(path, "notes")
        path = tables.path(config.results, "tempo", build_day=group.build_day, group=group.id)
        tempo[group.id] = tables.read(path, "tempo")
        for take in group.recordings:
            path = tables.path(config.results, "aligned", build_day=take.build_day, recording=take.recording)
            aligned[take.recording] = tables.read(path, "aligned")
    keep("worklist", worklist.jobs(config, lateness, tempo, aligned, notes, **given))
    keep("asked", worklist.jobs(config, older, tempo, aligned, notes, **given))


def report(config: settings.Settings) -> None:
    """Write the report and the finding in a few lines."""
    from pipeline import report

    configuration = settings.fingerprint(config, stage="report")
    folder = Path(config.results) / "report"
    found = report.read(config)
    report.write(folder, found)
    lines = report.finding(found)
    with tables.replacing(folder / "finding.txt") as file:
        file.write(("\n".join(lines) + "\n").encode())
    results.seal_report(config.results, configuration)


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
    name, config = asked.pop("stage"), asked.pop("config")
    try:
        if name == "check":
            check(config)
            return 0
        # The workflow has held the songs against the strikers at its start; a job need not read them again.
        loaded = settings.load(config, read_songs=False)
        settings.claim(loaded.results, loaded.path)
        STAGES[name](loaded, **asked)
    except InputError as error:
        print("\n".join(error.faults), file=sys.stderr)
        return 1
    except Exception as error:
        if not failures.is_of_the_machine(error):
            raise
        print(failures.line(" ".join([name, *asked.values()]), error), file=sys.stderr)
        return 1
    return 0


def _keeper(config: settings.Settings, stage: str, name: str = "") -> Callable:
    """Return a function that writes a table of a job, marked as this configuration's.

    The hash of what the job depends on is taken first: a file that changes while it is read shows at the next start.
    """
    configuration = settings.Fingerprints(config).of(stage, name)
    mark = settings.mark(config.results, config.path)

    def keep(table: str, rows, said: dict | None = None, folder: Path | None = None, **keys) -> None:
        path = folder / f"{table}.parquet" if folder else tables.path(config.results, table, **keys)
        tables.write(path, table, rows, configuration, said, mark)

    return keep


def _take(config: settings.Settings, take: settings.Recording):
    from pipeline import timing

    path = tables.path(config.results, "aligned", build_day=take.build_day, recording=take.recording)
    found = tables.path(config.results, "hits", recording=take.recording)
    hits = tables.read(found, "hits")
    if take.edits and len(hits):
        hits = hits.filter([not take.ignores(hit_s) for hit_s in hits["hit_s"].to_pylist()])
    return timing.Take(
        recording=take,
        aligned=tables.read(path, "aligned"),
        hits=hits,
        said=tables.said(path, "aligned"),
        rig=config.rig(take.rig),
    )


def _tell(job: str, found: str, said: dict) -> None:
    """Print one line for a job that went well or was refused, and one for each fault of the recording."""
    print(f"{job}: refused: {said['refused']}" if said.get("refused") else f"{job}: {found}")
    for fault in said.get("health", []):
        print(f"{job}: {fault}")


if __name__ == "__main__":
    sys.exit(main())
