"""Say where each table and each log lies under the folder of results, and which stage makes it."""

from pathlib import Path

from pipeline.tables.contracts import GATHERED

_ONE_FILE = "tables/{name}.parquet"
# The tables of which there are several files, and what tells the files apart.
_FILES = {
    "notes": "notes/{arrangement}.parquet",
    "hits": "hits/{recording}.parquet",
    "aligned": "aligned/build_day={build_day}/recording={recording}/aligned.parquet",
    "lateness": "tables/lateness/build_day={build_day}/{group}.parquet",
    "tempo": "tables/tempo/build_day={build_day}/{group}.parquet",
}
_GROUP_FOLDER = "groups/build_day={build_day}/{group}"
# The stage that makes a table, where its name is not the table's.
_MADE_BY = {
    "lateness": "timing",
    "tempo": "timing",
    "setups": "trend",
    "changes": "trend",
    "takes": "trend",
    "asked": "worklist",
} | dict.fromkeys(GATHERED, "tables")


def path(results, name: str, **keys) -> Path:
    """Return where a table lies under the results folder.

    Parameters
    ----------
    results : path-like
    name : str
        A key of `CONTRACTS`.
    **keys
        What tells its files apart: `arrangement` for notes; `recording` for hits; `build_day` and `recording` for
        aligned; `build_day` and `group` (the id of a group) for lateness and tempo; none for the others.
    """
    return Path(results, _FILES.get(name, _ONE_FILE).format(name=name, **keys))


def group_folder(results, build_day, group: str) -> Path:
    """Return the folder that holds a group's own part of each table of `GATHERED`."""
    return Path(results, _GROUP_FOLDER.format(build_day=build_day, group=group))


def log(results, stage: str, name: str, build_day=None) -> Path:
    """Return where a job's log lies; that of a take's alignment and of a group lies under its day."""
    return Path(results, "log", stage, *([str(build_day)] if build_day else []), f"{name}.log")


def of_one_job(results) -> list[Path]:
    """Return the files there are of recordings, groups and arrangements, whether they are still listed or not."""
    anything = dict.fromkeys(("arrangement", "recording", "build_day", "group"), "*")
    patterns = [where.format(**anything) for where in _FILES.values()]
    patterns += [f"{_GROUP_FOLDER.format(**anything)}/{name}.parquet" for name in GATHERED]
    return [file for pattern in patterns for file in sorted(Path(results).glob(pattern))]


def made_by(path, name: str) -> str:
    """Return the stage that makes the table `name` at `path`."""
    # A group's own part is made before the whole.
    is_part = name in GATHERED and "groups" in Path(path).parts
    return "timing" if is_part else _MADE_BY.get(name, name)
