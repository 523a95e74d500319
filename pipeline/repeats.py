"""Find, from an arrangement alone, where a striker must repeat faster than it was measured to repeat well."""

import numpy as np
import pyarrow as pa

from pipeline import tables, words
from pipeline.errors import InputError

# Written gaps are played as fast as the machine turns: below this share of a measured gap one is surely shorter, for
# a crew's tempo differs by a few per cent from take to take (our own choice).
SHORTER = 0.95
SURELY_DELAYED = 2.0  # standard errors of the delay after a short gap
LEAST_DELAY_S = 0.001  # as of the gap's measure: less is no delay


def measured(results) -> pa.Table:
    """Return the table 'strikers' of earlier results; empty when there are none, or of another version."""
    path = tables.path(results, "strikers")
    if not path.exists():
        return tables.empty("strikers")
    try:
        return tables.read(path, "strikers")
    except InputError:
        return tables.empty("strikers")


def too_fast(arrangement: str, notes: pa.Table, strikers: pa.Table) -> list[str]:
    """Return a line for each striker that must repeat faster than its newest measured shortest good gap.

    Parameters
    ----------
    notes, strikers : pa.Table
        Of the contracts; of `strikers` the newest row with a gap counts, whatever its arrangement.
    """
    newest = {}
    for row in sorted(strikers.to_pylist(), key=lambda row: (row["build_day"], row["session"])):
        if row["shortest_good_gap_s"] is not None:
            newest[row["striker"]] = row
    names = np.array(notes["striker"].to_pylist(), dtype=object)
    said = [_said(notes, np.flatnonzero(names == name), row) for name, row in sorted(newest.items())]
    return [f"{arrangement}: {one}" for one in said if one]


def _said(notes: pa.Table, at: np.ndarray, row: dict) -> str:
    """Say where a striker whose notes stand `at` must repeat too fast; '' when nowhere."""
    score_s = tables.numbers(notes["score_s"])[at]
    order = np.argsort(score_s, kind="stable")
    gap_s = np.diff(score_s[order], prepend=np.nan)
    good_s = row["shortest_good_gap_s"]
    fast = np.flatnonzero(gap_s < SHORTER * good_s)
    if not len(fast):
        return ""
    first = at[order[fast[np.argmin(np.round(gap_s[fast], 6))]]]
    where = words.place(notes["bar"][first].as_py(), notes["beat_in_bar"][first].as_py())
    more = f" and at {words.count(len(fast) - 1, 'more place')}" if len(fast) > 1 else ""
    line = (
        f"{row['striker']} must strike again after {words.milliseconds(np.nanmin(gap_s))} at "
        f"{where}{more}, sooner than its shortest good gap, {words.milliseconds(good_s)} on "
        f"{words.day(row['build_day'])}: {_why(row)}"
    )
    return words.with_plain_spaces(line)


def _why(row: dict) -> str:
    """Say what is known of shorter gaps: only what was tested."""
    if row["miss_pattern"] == "short gaps":
        return "after shorter ones it missed strikes"
    late_s, late_se = row["readiness_s"], row["readiness_se"]
    if late_s is not None and late_se is not None and late_s > max(LEAST_DELAY_S, SURELY_DELAYED * late_se):
        return "after shorter ones it came late"
    return "no shorter one was played yet"
