"""Say what a user can mend, in one line and without a traceback."""

import re
import unicodedata

LONGEST_FAULT = 1000  # characters; chosen: some twelve lines of a terminal
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


def is_unprintable(sign: str) -> bool:
    """Tell whether a character cannot stand in a name: control, half of a surrogate pair, line break, direction."""
    return unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") or bool(
        re.match("[\u202a-\u202e\u2066-\u2069]", sign)
    )
