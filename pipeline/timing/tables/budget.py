"""Share out the milliseconds: how much of the spread each part makes, on both rulers."""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys
from pipeline.timing.tables.lateness import PARTS

RULERS = {"felt": "felt_", "song": ""}


def budget(group: settings.Group, fitted: Fit, late: pd.DataFrame) -> pa.Table:
    """Return the table 'budget'.

    A part's share is its covariance with the total over the total's variance: shares sum to 1, and a part that works
    against the others has a negative one; one that was not looked for has no row. Freak hits (another strike, most
    likely) are left out. What is not known of the load is not known of the motion either: `share_se` of both is the
    standard error of the load's share, which is linear in drags and recovery.
    """
    # What nobody looked for, or what no wobble could have shown, has no share, not one of 0.
    seen = fitted.shafts_sought and np.isfinite(fitted.least_wobble_s)
    sought = [part for part in PARTS if part != "shaft" or seen]
    found = []
    for ruler, prefix in RULERS.items():
        total_name = "felt_s" if prefix else "late_s"
        rows = late[~late["freak"] & late[total_name].notna()]
        total = rows[total_name].to_numpy()
        if len(total) < 2 or np.var(total) == 0:
            continue
        for part in sought:
            one = rows[f"{prefix}{part}_s"].to_numpy()
            share = np.mean((one - one.mean()) * (total - total.mean())) / np.var(total)
            least_s = fitted.least_wobble_s if part == "shaft" else np.nan
            share_se = _load_share_se(rows, prefix, total) if part in ("load", "motion") else np.nan
            found.append((ruler, part, np.std(one), share, share_se, np.std(total - one), least_s))
    if not found:
        return tables.empty("budget")
    names = ("ruler", "part", "sd_s", "share", "share_se", "sd_without_s", "detectable_s")
    columns = {name: [row[place] for row in found] for place, name in enumerate(names)}
    return tables.build("budget", group_keys.of_group(group, len(found)) | columns)


def _load_share_se(rows, prefix, total) -> float:
    """Return the standard error of the load's share: each direction of its doubt moves the share by its own."""
    doubt_s = rows.filter(regex=f"^{prefix}doubt_").to_numpy()
    by_doubt = (total - total.mean()) @ doubt_s / (len(total) * np.var(total))
    return float(np.sqrt(np.sum(by_doubt**2)))
