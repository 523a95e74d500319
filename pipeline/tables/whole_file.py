"""Write a file whole or not at all.

A file is written beside its place and then renamed. The writer holds a lock on what it writes. The kernel releases that
lock when the process ends, also when it is killed: so the next writer of the same file can tell what a killed one has
left (not locked: deleted) from what another process is writing at that time (locked: left alone).
"""

import fcntl
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import place_of_full_disk

# Of the name that begins a temporary file's, so that the whole stays below the 255 bytes of most file systems.
_MOST_CHARACTERS = 50


@contextmanager
def replacing(path) -> Iterator[BinaryIO]:
    """Open a file beside `path` for writing bytes; it becomes `path` at the end of the block.

    If the block fails, what was written is deleted, and a file that was there before stays. Missing folders are made.
    What killed writers of `path` have left is deleted first.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    prefix = f".{path.name[:_MOST_CHARACTERS]}."
    _delete_abandoned(path.parent, prefix)
    handle, temporary = _locked_file(path.parent, prefix)
    try:
        with place_of_full_disk(path), os.fdopen(handle, "wb") as sink:
            yield sink
            sink.flush()
            # `mkstemp` lets nobody else read it.
            os.chmod(temporary, 0o666 & ~_umask())
            os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _locked_file(folder: Path, prefix: str) -> tuple[int, str]:
    """Make a new file that this process has locked; return its handle and path."""
    while True:
        handle, temporary = tempfile.mkstemp(prefix=prefix, suffix=".part", dir=folder)
        _lock(handle, fcntl.LOCK_EX)
        # Another process may have taken it for abandoned before it was locked.
        if os.fstat(handle).st_nlink:
            return handle, temporary
        os.close(handle)


def _delete_abandoned(folder: Path, prefix: str) -> None:
    """Delete the temporary files of `prefix` that no process has locked."""
    for name in os.listdir(folder):
        if not (name.startswith(prefix) and name.endswith(".part")):
            continue
        left = folder / name
        try:
            handle = os.open(left, os.O_RDWR | os.O_NOFOLLOW)
        except OSError:
            continue  # gone meanwhile, or not ours to delete
        try:
            if _lock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB):
                left.unlink(missing_ok=True)
        finally:
            os.close(handle)


def _lock(handle: int, how: int) -> bool:
    """Lock an open file; return False where another process has locked it, or where the file system has no locks."""
    try:
        fcntl.flock(handle, how)
    except OSError:
        return False
    return True


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
