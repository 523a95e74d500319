"""Hold the contracts of all tables between stages, and read and write them.

`contracts` says which tables there are and what their columns mean; `rows` and `columns` make tables in memory that
keep a contract; `layout` says where files lie; `parquet` writes and reads them; `whole_file` replaces any file at once.
"""

from pipeline.tables.columns import arrow, numbers
from pipeline.tables.contracts import CONTRACTS, GATHERED, GROUP_KEYS, N_BANDS, VERSION, Contract
from pipeline.tables.layout import group_folder, log, path
from pipeline.tables.parquet import gather, is_whole, mark_of, prune, read, said, write
from pipeline.tables.rows import build, empty, keyed, of_group, with_column
from pipeline.tables.whole_file import replacing

__all__ = [
    "CONTRACTS",
    "GATHERED",
    "GROUP_KEYS",
    "N_BANDS",
    "VERSION",
    "Contract",
    "arrow",
    "build",
    "empty",
    "gather",
    "group_folder",
    "is_whole",
    "keyed",
    "log",
    "mark_of",
    "numbers",
    "of_group",
    "path",
    "prune",
    "read",
    "replacing",
    "said",
    "with_column",
    "write",
]
