"""Write and read the tables: the only door to Parquet.

Each file carries in its metadata what it was made for (`configuration`), by which version of the contracts, whose it
is (`mark`), and what belongs to the file and not to a row (`said`).
"""

import json
import os
from dataclasses import dataclass, fields
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import InputError
from pipeline.tables.contracts import CONTRACTS, GATHERED, VERSION
from pipeline.tables.layout import made_by, of_one_job
from pipeline.tables.rows import checked, empty, order_of
from pipeline.tables.whole_file import replacing

_END = len(b"????PAR1")  # bytes after the footer: its length and the format's name (Parquet format specification)
_START = len(b"PAR1")
_LEFT_BY_WORKFLOW = ".snakemake_timestamp"  # the workflow engine's, in every folder that it has made


def write(path, name: str, table: pa.Table, configuration: str = "", said: dict | None = None, mark: str = "") -> None:
    """Write `table` whole or not at all, under the contract `name`.

    Parameters
    ----------
    path : path-like
        Folders are made where missing.
    name : str
        A key of `CONTRACTS`.
    table : pa.Table
        The contract's columns; others are left out.
    configuration : str
        Hash of all that the table depends on (`settings.fingerprint`).
    said : dict, optional
        What belongs to the file and not to a row (JSON values), for `said()` to read.
    mark : str
        Whose it is (`settings.claim`): only files with its own mark are deleted for a configuration.

    Raises
    ------
    ValueError
        The table breaks the contract. (Our fault, not the user's.)
    """
    contract = CONTRACTS[name]
    table = checked(table.select(contract.schema.names).cast(contract.schema), contract)
    metadata = {
        "pindrift.table": name,
        "pindrift.version": VERSION,
        "pindrift.configuration": configuration,
        "pindrift.said": json.dumps(said or {}, sort_keys=True),
        "pindrift.mark": mark,
    }
    with replacing(path) as file:
        pq.write_table(table.replace_schema_metadata(metadata), file, compression="zstd", write_page_checksum=True)


@dataclass(frozen=True)
class _Label:
    """What the metadata of a file hold; None for what they do not."""

    table: str | None = None
    version: str | None = None
    configuration: str | None = None
    said: str | None = None
    mark: str | None = None


def _label(metadata: dict[bytes, bytes] | None) -> _Label:
    found = {key.decode(): value.decode() for key, value in (metadata or {}).items() if key.startswith(b"pindrift.")}
    return _Label(**{field.name: found.get(f"pindrift.{field.name}") for field in fields(_Label)})


def read(path, name: str, columns: list[str] | None = None) -> pa.Table:
    """Read a table and hold it against its contract.

    Parameters
    ----------
    path : path-like
    name : str
        A key of `CONTRACTS`.
    columns : list of str, optional
        Only these.

    Raises
    ------
    InputError
        The file is missing, damaged, no Parquet, or of another table or version.
    """
    contract = CONTRACTS[name]
    with _opened(path, name) as file:
        try:
            table = file.read(columns=columns)
        except (pa.ArrowInvalid, OSError) as error:
            raise InputError(_damaged(path, name, error)) from None
    version = _label(table.schema.metadata).version or ""
    if version != VERSION:
        raise InputError(
            f"{path}: expected a table of this version of pindrift ({VERSION}); found {version or 'none'}; run again: "
            "it is made anew"
        )
    names = columns or contract.schema.names
    if missing := [column for column in names if column not in table.schema.names]:
        raise InputError(f"{path}: expected the table '{name}'; found no column {missing}; delete it and run again")
    return table.select(names).cast(
        pa.schema([contract.schema.field(column) for column in names], table.schema.metadata)
    )


def _opened(path, name: str) -> pq.ParquetFile:
    """Open a table; say in one line when there is none, and how it is made."""
    try:
        # Not `read_table`: it would take `build_day=` of the path for a column.
        return pq.ParquetFile(path, page_checksum_verification=True)
    except FileNotFoundError:
        do = f"run the stage '{made_by(path, name)}' first, or the whole workflow"
        raise InputError(f"{path}: expected the table '{name}'; found no file; {do}") from None
    except PermissionError:
        raise
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(_damaged(path, name, error)) from None


def _damaged(path, name: str, error: Exception) -> str:
    return f"{path}: expected the table '{name}'; found {error}; delete it and run again"


def said(path, name: str) -> dict:
    """Return what `write` was given as `said`, without reading the rows; raises as `read` does."""
    with _opened(path, name) as file:
        found = _label(file.schema_arrow.metadata).said
    if found is None:
        raise InputError(f"{path}: expected the table '{name}'; found no table of pindrift; delete it and run again")
    return json.loads(found)


def is_whole(path, name: str, configuration: str, mark: str) -> bool:
    """Tell whether a table is there, undamaged as far as its footer tells, and made for what holds now.

    The footer says where the last column ends; a file that was cut short or to which something was added does not fit.
    """
    try:
        footer = pq.read_metadata(path)
        size = os.path.getsize(path)
    except (pa.ArrowInvalid, OSError):
        return False
    label = _label(footer.metadata)
    if (label.table, label.version, label.configuration, label.mark) != (name, VERSION, configuration, mark):
        return False
    return _end_of_columns(footer) + footer.serialized_size + _END == size


def _end_of_columns(footer: pq.FileMetaData) -> int:
    """Return where the last column that has any bytes ends: the footer follows it."""
    for group in reversed(range(footer.num_row_groups)):
        for place in reversed(range(footer.num_columns)):
            column = footer.row_group(group).column(place)
            # An offset of 0 stands for none: the file's own first bytes lie there.
            if begins := [at for at in (column.dictionary_page_offset, column.data_page_offset) if at]:
                return min(begins) + column.total_compressed_size
    return _START


def mark_of(path) -> str | None:
    """Return the mark of a table: '' without one, None for what is no table of pindrift."""
    try:
        label = _label(pq.read_metadata(path).metadata)
    except (pa.ArrowInvalid, OSError):
        return None
    return None if label.table is None else label.mark or ""


def gather(folders: list[Path]) -> dict[str, pa.Table]:
    """Put the parts of the groups together, each of `GATHERED` into one table.

    Parameters
    ----------
    folders : list of Path
        The groups' own (`group_folder`).

    Raises
    ------
    InputError
        A part is missing or damaged, as `read` says.
    """
    whole = {}
    for name in GATHERED:
        parts = [empty(name), *(read(folder / f"{name}.parquet", name) for folder in folders)]
        table = pa.concat_tables([part.replace_schema_metadata(None) for part in parts])
        whole[name] = table.take(order_of(table, CONTRACTS[name]))
    return whole


def prune(results, kept: set[Path], mark: str) -> list[Path]:
    """Delete the tables of recordings, groups or arrangements that are no longer listed; return their paths.

    Only files that match the layout of `path` and `group_folder` are looked at. Of those that are not `kept`, only
    those go that carry this `mark` and lie in the folder itself, not behind a symbolic link.
    """
    results = Path(results)
    others = [file for file in of_one_job(results) if file not in kept]
    stale = [file for file in others if not _is_behind_a_link(file, results) and mark_of(file) == mark]
    for file in stale:
        file.unlink()
        _delete_empty_folders(file, results)
    return stale


def _delete_empty_folders(file: Path, results: Path) -> None:
    """Delete the folders in which a deleted file was the last of ours, up to the folder of results."""
    for folder in file.parents:
        left = [entry for entry in folder.iterdir() if entry.name != _LEFT_BY_WORKFLOW]
        if folder == results or left:
            return
        (folder / _LEFT_BY_WORKFLOW).unlink(missing_ok=True)
        folder.rmdir()


def _is_behind_a_link(file: Path, folder: Path) -> bool:
    return any(part.is_symlink() for part in (file, *file.parents) if folder in part.parents)
