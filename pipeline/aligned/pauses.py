"""Leave open what hits are before a take, after it and while it stands: people try strikers, walk about, clap.

In: the rows of `aligned`. Out: those rows, the hits there undecided where they were extra: a machine that does not play
makes no double strikes.
"""

import numpy as np
import pyarrow as pa

from pipeline import tables
from pipeline.aligned import course


def cut(table: pa.Table) -> pa.Table:
    """Return the table of contract aligned with the extra hits of pauses undecided."""
    played, extra = course.played(table), course.has_status(table, "extra")
    if not len(played.hit_s) or not extra.any():
        return table
    stands = np.flatnonzero(np.diff(played.segment) > 0)
    from_s = np.concatenate(([-np.inf], played.hit_s[stands], played.hit_s[-1:])) + course.NEAR_S
    to_s = np.concatenate((played.hit_s[:1], played.hit_s[stands + 1], [np.inf])) - course.NEAR_S
    hit_s = tables.numbers(table["hit_s"])
    in_pause = ((hit_s[:, None] > from_s) & (hit_s[:, None] < to_s)).any(axis=1)
    status = np.array(table["status"].to_pylist(), object)
    status[in_pause & extra] = "undecided"
    return tables.with_column(table, "status", status.tolist())
