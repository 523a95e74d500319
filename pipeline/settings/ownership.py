"""Say which configuration a folder of results belongs to: only that one may delete and replace what lies there.

A small text file in the folder names the configuration, by its path from there: both can be moved together. It also
holds the mark that the folder's tables carry. The mark stays when the configuration gets another name.
"""

import hashlib
import os
from pathlib import Path

from pipeline import tables

FILE = "belongs-to.txt"
_TEXT = """\
# The tables in this folder belong to one configuration. Was it renamed or moved? Write here where it lies from here:
{path}
# The mark that the tables carry; leave it as it is:
{mark}
"""


def claim(results: str, configuration: str) -> str:
    """Make the folder of results this configuration's if it is nobody's; return its mark.

    Another's folder has been refused when the configuration was loaded (`stranger`).
    """
    owner = _owner(results)
    if owner is None:
        owner = _path_from(results, configuration), _mark(results, configuration)
        # What another job has written meanwhile stands.
        if not Path(results, FILE).exists():
            with tables.replacing(Path(results, FILE)) as file:
                file.write(_TEXT.format(path=owner[0], mark=owner[1]).encode())
    return owner[1]


def mark(results: str, configuration: str) -> str:
    """Return the mark of this configuration's tables, whether the folder is there already or not."""
    owner = _owner(results)
    return owner[1] if owner else _mark(results, configuration)


def stranger(results: str, configuration: str) -> tuple[str, str]:
    """Return whose the folder is and what to do, when it is not this configuration's; else two empty texts."""
    at, here = Path(results, FILE), _path_from(results, configuration)
    if not at.exists():
        if _has_tables_of_others(results, configuration):
            return f"tables of another one, and no {FILE} that names it", "name another folder"
        return "", ""
    owner = _owner(results)
    if owner is None:
        return f"a damaged {at}", f"delete that file if '{configuration}' has made what lies there"
    theirs = os.path.normpath(os.path.join(results, owner[0]))
    if os.path.abspath(theirs) == os.path.abspath(configuration) or _is_same(theirs, configuration):
        return "", ""
    gone = "" if os.path.exists(theirs) else ", which is not there any more"
    do = f"name another folder; or, if that one was renamed or moved, write '{here}' for '{owner[0]}' into {at}"
    return f"what belongs to '{theirs}'{gone}", do


def _owner(results: str) -> tuple[str, str] | None:
    """Return the path and the mark that the file holds; None when there is no such file or it is damaged."""
    try:
        text = Path(results, FILE).read_text(encoding="utf-8-sig")
    except (FileNotFoundError, NotADirectoryError, UnicodeDecodeError):
        return None
    said = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    return (said[0], said[1]) if len(said) == 2 else None


def _path_from(results: str, configuration: str) -> str:
    return os.path.relpath(os.path.abspath(configuration), os.path.abspath(results))


def _mark(results: str, configuration: str) -> str:
    return hashlib.sha256(_path_from(results, configuration).encode()).hexdigest()[:16]


def _is_same(one: str, other: str) -> bool:
    """Tell whether two paths lead to one file, by a link or in another case."""
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False


def _has_tables_of_others(results: str, configuration: str) -> bool:
    """Tell whether any table there carries another mark; those of older versions carry none."""
    own = _mark(results, configuration)
    found = (path for kind in ("notes", "hits", "tables") for path in Path(results, kind).glob("*.parquet"))
    return any(tables.mark_of(path) not in (None, "", own) for path in found)
