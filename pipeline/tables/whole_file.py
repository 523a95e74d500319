"""Write a file whole or not at all."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


@contextmanager
def replacing(path) -> Iterator[BinaryIO]:
    """Open a file beside `path` for writing bytes; it becomes `path` at the end of the block.

    If the block fails, what was written is deleted, and a file that was there before stays. Missing folders are made.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=".", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as sink:
            yield sink
        # `mkstemp` lets nobody else read it.
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
