"""List the shafts out of true that were found."""

import numpy as np
import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys


def shafts(group: settings.Group, fitted: Fit) -> pa.Table:
    """Return the table 'shafts': significant wobbles only."""
    found = fitted.shafts.sort_values("order", kind="stable")
    if not len(found):
        return tables.empty("shafts")
    columns = {name: found[name].to_numpy() for name in found}
    columns["shaft"] = np.array(found["shaft"], dtype=object)
    return tables.build("shafts", group_keys.of_group(group, len(found)) | columns)
