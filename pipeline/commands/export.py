"""Write what one takes along from the results: the work sheet, MIDI and sound of each recording, tables as CSV."""

from pathlib import Path

from pipeline import __main__, exports, results, settings, tables, words
from pipeline.commands import sound, terminal
from pipeline.errors import InputError

FOLDER = "exports"  # in the folder of results


def command(config: str, recordings: tuple[str, ...] = (), csv: bool = False) -> None:
    """Write the exports of a configuration that has been run.

    Parameters
    ----------
    config : str
    recordings : sequence of str
        Whose sound is written; none: those of the newest takes.
    csv : bool
        Also copy the tables for a spreadsheet.

    Raises
    ------
    InputError
        The configuration has faults, or there are no results of it yet.
    """
    loaded = settings.load(config, read_songs=False)
    listed = tables.path(loaded.results, "worklist")
    if not listed.is_file():
        raise InputError(f"{loaded.results}: expected results; found no work list; first: pindrift run {config}")
    folder = Path(loaded.results, FOLDER)
    folder.mkdir(parents=True, exist_ok=True)
    worklist = tables.read(listed, "worklist")
    sheet = _sheet(loaded, worklist)
    _write(folder / "work-sheet.html", exports.sheet_html(sheet).encode())
    _write(folder / "work-sheet.csv", exports.sheet_csv(sheet).encode("utf-8-sig"))
    terminal.say(f"{folder / 'work-sheet.html'} (and .csv): {words.count(len(sheet.lines), 'line')} to tick")
    for arrangement in loaded.arrangements:
        if arrangement.file:
            terminal.say(_strip(loaded, arrangement.name, worklist, folder))
    n_used = sum(_midi(loaded, group, folder) for group in loaded.groups())
    many = words.count(n_used, "recording")
    terminal.say(f"{folder}: of {many} the machine's tempo (.mid) and its strikes (-hits.mid)")
    terminal.say(*sound.write(loaded, folder, tuple(recordings)))
    if csv:
        terminal.say(f"{folder / 'tables'}: {words.count(_copies(loaded, folder / 'tables'), 'table')} as CSV")
    results.link_exports(loaded, __main__.report)


def _sheet(config: settings.Settings, worklist) -> exports.Sheet:
    machines = {setup: config.machine_of(setup) for setup in set(worklist["setup"].to_pylist())}
    return exports.Sheet.of_jobs(worklist, machines)


def _strip(config: settings.Settings, arrangement: str, worklist, folder: Path) -> str:
    """Write the strip of an arrangement's barrel; return what there is, or why there is none."""
    rows = [row for row in worklist.to_pylist() if row["arrangement"] == arrangement]
    sure = [row for row in rows if row["certainty"] >= words.SURE_CERTAINTY]
    notes = tables.read(tables.path(config.results, "notes", arrangement=arrangement), "notes")
    day, setup = (rows[0]["build_day"], rows[0]["setup"]) if rows else (None, "")
    of = ", ".join(filter(None, [arrangement, day and words.day(day), setup]))
    strip = exports.Strip.of_notes(of, notes, sure, config.machine_of(setup))
    path = folder / f"{arrangement}-strip"
    if strip is None:
        for ending in (".svg", ".html"):
            Path(f"{path}{ending}").unlink(missing_ok=True)  # of another barrel
        return f"{arrangement}: no strip of the barrel: it needs bars_per_turn and diameter_mm under machine: barrel"
    _write(Path(f"{path}.html"), exports.strip_html(strip).encode())
    _write(Path(f"{path}.svg"), exports.strip_svg(strip).encode())
    return f"{path}.html (and .svg): the barrel in its true size, {words.count(len(strip.jobs), 'pin')} to move"


def _midi(config: settings.Settings, group: settings.Group, folder: Path) -> int:
    """Write the two MIDI files of each recording of a group but those that were refused; return of how many."""
    notes = tables.read(tables.path(config.results, "notes", arrangement=group.arrangement), "notes")
    tempo = tables.read(tables.path(config.results, "tempo", build_day=group.build_day, group=group.id), "tempo")
    n_used = 0
    for take in group.recordings:
        path = tables.path(config.results, "aligned", build_day=take.build_day, recording=take.recording)
        aligned, mine = tables.read(path, "aligned"), sound.of_take(tempo, take)
        if not len(aligned) or not len(mine):
            continue
        n_used += 1
        found = tables.path(config.results, "hits", recording=take.recording)
        hits = tables.read(found, "hits")
        level_db = dict(zip(hits["hit_id"].to_pylist(), tables.numbers(hits["level_db"]).tolist(), strict=True))
        files = {
            "": exports.tempo_file(notes, mine),
            "-hits": exports.hits_file(notes, aligned, level_db, tables.said(found, "hits")["duration_s"]),
        }
        for ending, file in files.items():
            with tables.replacing(folder / f"{take.recording}{ending}.mid") as out:
                file.save(file=out)
    return n_used


def _copies(config: settings.Settings, folder: Path) -> int:
    """Copy each table but hits and aligned, which are too long for a spreadsheet."""
    folder.mkdir(exist_ok=True)
    n = 0
    of_notes = [tables.path(config.results, "notes", arrangement=one.name) for one in config.arrangements]
    for path in [*of_notes, *sorted(Path(config.results, "tables").rglob("*.parquet"))]:
        where = path.relative_to(config.results).parts
        name = path.stem if path.parent.name == "tables" else "notes" if where[0] == "notes" else where[1]
        if name in tables.CONTRACTS:
            ending = "" if path.parent.name == "tables" else f" {path.stem}"
            _write(folder / f"{name}{ending}.csv", exports.csv_of(tables.read(path, name)).encode("utf-8-sig"))
            n += 1
    return n


def _write(path: Path, text: bytes) -> None:
    with tables.replacing(path) as file:
        file.write(text)
