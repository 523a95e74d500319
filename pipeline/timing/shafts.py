"""List the shafts out of true. Not looked for yet: the table is empty, and no lateness is laid to a shaft."""

import pyarrow as pa

from pipeline import settings, tables
from pipeline.timing.fit import Fit


def shafts(group: settings.Group, fitted: Fit) -> pa.Table:
    """Return the table 'shafts'."""
    return tables.empty("shafts")
