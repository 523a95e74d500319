"""List the results of a configuration, and tell which of them must be made again.

A result stands when its file is whole and was made for what the configuration says and its files hold now. The file
itself tells (`tables.is_whole`): neither dates nor the workflow engine's own notes are asked, so it does not matter
where a result comes from, who has touched it, or whether the clock was set.
"""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline import settings, tables

_SEAL = ".made-for"  # beside the report: what it was made for, and the hashes of its files
_OF_REPORT = ("index.html", "finding.txt")
_SOUNDS = "sounds/*.flac"  # that the page plays


@dataclass(frozen=True)
class Result:
    """A table: its file, its contract, and what it is made for (`settings.fingerprint`)."""

    path: str
    name: str
    configuration: str


def listed(config: settings.Settings, fingerprints: settings.Fingerprints) -> Iterator[Result]:
    """Return every table of a configuration."""
    of = fingerprints.of

    def at(name: str, configuration: str, **keys) -> Result:
        return Result(str(tables.path(config.results, name, **keys)), name, configuration)

    for one in config.arrangements:
        yield at("notes", of("notes", one.name), arrangement=one.name)
    for take in config.recordings:
        yield at("hits", of("hits", take.recording), recording=take.recording)
        keys = {"build_day": take.build_day, "recording": take.recording}
        yield at("aligned", of("aligned", take.recording), **keys)
    for group in config.groups():
        for name in ("lateness", "tempo"):
            yield at(name, of("timing", group.id), build_day=group.build_day, group=group.id)
        folder = tables.group_folder(config.results, group.build_day, group.id)
        for name in tables.GATHERED:
            yield Result(str(folder / f"{name}.parquet"), name, of("timing", group.id))
    for name in tables.GATHERED:
        yield at(name, of("tables"))
    of_stage = {"worklist": ("worklist", "asked"), "trend": ("trend", "setups", "changes", "takes")}
    for stage, names in of_stage.items():
        for name in names:
            yield at(name, of(stage))


def to_make_again(config: settings.Settings, fingerprints: settings.Fingerprints) -> list[str]:
    """Return the files that are missing, damaged, of another version, or made for something else."""
    mark = settings.mark(config.results, config.path)
    fallen = [
        one.path
        for one in listed(config, fingerprints)
        if not tables.is_whole(one.path, one.name, one.configuration, mark)
    ]
    if _sealed(config.results, fingerprints.of("report")) != _seal_of(config.results):
        fallen += [str(Path(config.results, "report", name)) for name in _OF_REPORT]
    return fallen


def link_exports(config: settings.Settings, make: Callable[[settings.Settings], None]) -> None:
    """Have the report made again that links to exports; not where a table does not stand, for a run is due then."""
    own = {str(Path(config.results, "report", name)) for name in _OF_REPORT}
    fallen = to_make_again(config, settings.Fingerprints(config))
    if fallen and own.issuperset(fallen):
        make(config)


def seal_report(results: str, configuration: str) -> None:
    """Note what the report was made for, and what its files hold."""
    with tables.replacing(Path(results, "report", _SEAL)) as file:
        file.write(_sealed(results, configuration).encode())


def _sealed(results: str, configuration: str) -> str | None:
    try:
        folder = Path(results, "report")
        files = [folder / name for name in _OF_REPORT] + sorted(folder.glob(_SOUNDS))
        whole = [f"{hashlib.sha256(file.read_bytes()).hexdigest()} {file.name}" for file in files]
    except OSError:
        return None
    return "\n".join([tables.VERSION, configuration, *whole]) + "\n"


def _seal_of(results: str) -> str:
    try:
        return Path(results, "report", _SEAL).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ""
