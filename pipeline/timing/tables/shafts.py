"""List the shafts out of true. Not looked for yet: the table is empty, and no lateness is laid to a shaft."""

import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing.fitting.fit import Fit

LOOKED_FOR = False  # what nobody looked for has no share in the budget, not one of 0


def shafts(group: settings.Group, fitted: Fit) -> pa.Table:
    """Return the table 'shafts'."""
    return tables.empty("shafts")
