"""List what the remainder still shows."""

import numpy as np
import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys


def remainders(group: settings.Group, fitted: Fit) -> pa.Table:
    """Return the table 'remainders': significant findings only."""
    found = fitted.remainders
    names = np.array([*fitted.strikes.striker_names, ""], dtype=object)  # -1: all
    columns = {name: found[name].to_numpy() for name in found} | {"striker": names[found["striker"].to_numpy(int)]}
    return tables.build("remainders", group_keys.of_group(group, len(found)) | columns)
