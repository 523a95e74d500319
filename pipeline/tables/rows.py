"""Make tables that keep their contract: the right columns, the key once, the rows in order."""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.tables import columns as arrays
from pipeline.tables.contracts import CONTRACTS, GROUP_KEYS, Contract


def empty(name: str) -> pa.Table:
    """Return the table `name` with no rows."""
    # Not `empty_table`, which imports pandas.
    return pa.Table.from_batches([], CONTRACTS[name].schema)


def build(name: str, columns: dict) -> pa.Table:
    """Make a table of the contract `name`, its rows in the contract's order.

    Parameters
    ----------
    name : str
        A key of `CONTRACTS`.
    columns : dict of str to array_like
        Exactly the contract's columns; NaN in a nullable column becomes null.

    Raises
    ------
    ValueError
        A column is missing, unknown or null where it must not be; a key comes twice. (Our fault, not the user's.)
    """
    contract = CONTRACTS[name]
    given, wanted = set(columns), set(contract.schema.names)
    if given != wanted:
        raise ValueError(f"{name}: missing {sorted(wanted - given)}, unknown {sorted(given - wanted)}")
    filled = [arrays.cast(columns[field.name], field) for field in contract.schema]
    table = pa.Table.from_arrays(filled, schema=contract.schema)
    return checked(table.take(order_of(table, contract)), contract)


def of_group(frame, key: tuple):
    """Return the rows of one group of a data frame.

    Parameters
    ----------
    frame : pd.DataFrame
        With the columns GROUP_KEYS.
    key : tuple
        Their values.
    """
    same = [frame[name] == value for name, value in zip(GROUP_KEYS, key, strict=True)]
    return frame[np.logical_and.reduce(same)].reset_index(drop=True)


def with_column(table: pa.Table, name: str, values) -> pa.Table:
    """Return the table with other values in one of its columns."""
    at = table.column_names.index(name)
    field = table.schema.field(at)
    return table.set_column(at, field, arrays.cast(values, field))


def checked(table: pa.Table, contract: Contract) -> pa.Table:
    """Return the table; raise ValueError when it holds a null where none may be, or a key twice."""
    for field in contract.schema:
        if not field.nullable and table[field.name].null_count:
            raise ValueError(f"{contract.name}: null in {field.name}")
    # Not `group_by`, which imports pandas.
    ranks = np.array([arrays.ranks(table[name]) for name in contract.key])
    if np.unique(ranks, axis=1).shape[1] != len(table):
        raise ValueError(f"{contract.name}: the key {contract.key} comes twice")
    return table


def order_of(table: pa.Table, contract: Contract) -> pa.Array:
    """Return the rows' indices in the contract's order."""
    return pc.sort_indices(table, sort_keys=[(column, "ascending") for column in contract.order])


def keyed(table: pa.Table, **keys) -> pa.Table:
    """Put the hive keys that only the path holds (build_day, recording) before the other columns."""
    for name, value in reversed(keys.items()):
        kind = pa.date32() if name == "build_day" else pa.string()
        if name not in table.column_names:
            table = table.add_column(0, name, pa.array([value] * len(table), kind))
    return table
