"""Say what a user can mend, in one line and without a traceback."""

import errno
import re
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager

LONGEST_FAULT = 1000  # characters; chosen: some twelve lines of a terminal
DISK_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
MOST_FAULTS = 50  # lines told at once; chosen: nobody mends more before looking again


class InputError(Exception):
    """A fault the user can mend: *file (line): expected; found; what to do*.

    Parameters
    ----------
    *faults : str
        One line each. A check that goes on after its first fault raises all of them at once.
    """

    def __init__(self, *faults: str):
        told = tuple(plain(fault) for fault in faults[:MOST_FAULTS])
        more = len(faults) - MOST_FAULTS
        self.faults = (*told, f"and {more} faults more: mend these first") if more > 0 else told
        super().__init__("\n".join(self.faults))


def plain(text: str) -> str:
    """Return a text as one line that a terminal only prints: other signs as `\\x1b`, a long text without its middle."""
    line = " ".join(text.split())
    if len(line) > LONGEST_FAULT:
        line = f"{line[: LONGEST_FAULT // 2]} … {line[-LONGEST_FAULT // 2 :]}"
    # What stands in the file may steer a terminal, or turn the direction of what follows.
    return "".join(sign.encode("unicode_escape").decode() if is_unprintable(sign) else sign for sign in line)


@contextmanager
def place_of_full_disk(path) -> Iterator[None]:
    """Name a path in the error of a full disk: the system leaves it out where an open file is written."""
    try:
        yield
    except OSError as error:
        if error.errno in DISK_FULL and error.filename is None:
            error.filename = str(path)
        raise


def is_unprintable(sign: str) -> bool:
    """Tell whether a character cannot stand in a name: control, half of a surrogate pair, line break, direction."""
    return unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") or bool(
        re.match("[\u202a-\u202e\u2066-\u2069]", sign)
    )
