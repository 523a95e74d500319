"""Turn numpy arrays into columns of Arrow and back.

Arrow's own functions for it (`pa.array`, `to_numpy`) import pandas; a job that needs no pandas would take half as long
again to start.
"""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc


def arrow(values, null: np.ndarray | None = None) -> pa.Array:
    """Return numbers, flags, rows of numbers or texts as an Arrow array.

    Parameters
    ----------
    values : (n,) or (n, k) array, or list of str or None
        A text that is None is null.
    null : (n,) bool array, optional
        Which numbers are null.
    """
    if isinstance(values, np.ndarray) and values.ndim == 2:
        return pa.FixedSizeListArray.from_arrays(arrow(values.ravel()), values.shape[1])
    if isinstance(values, np.ndarray) and values.dtype.kind in "iufb":
        null = np.zeros(len(values), bool) if null is None else null
        flags = values.dtype.kind == "b"
        kind = pa.bool_() if flags else pa.from_numpy_dtype(values.dtype)
        buffers = [np.packbits(values, bitorder="little") if flags else np.ascontiguousarray(values)]
    else:
        null = np.array([text is None for text in values], bool)
        texts = [("" if text is None else text).encode() for text in values]
        ends = np.cumsum([0, *map(len, texts)], dtype=np.int32)
        kind, buffers = pa.string(), [ends, b"".join(texts)]
    valid = pa.py_buffer(np.packbits(~null, bitorder="little")) if null.any() else None
    return pa.Array.from_buffers(kind, len(values), [valid, *map(pa.py_buffer, buffers)])


def numbers(column: pa.ChunkedArray) -> np.ndarray:
    """Return a column of numbers as a new (n,) array; null becomes NaN, which makes whole numbers real ones."""
    if column.null_count:
        column = pc.fill_null(column.cast(pa.float64()), arrow(np.array([np.nan]))[0])
    if not column.num_chunks:  # as a filter leaves of no rows; Arrow would import pandas to join none
        return np.empty(0, column.type.to_pandas_dtype())
    return np.array(np.from_dlpack(column.combine_chunks()))


def cast(values, field: pa.Field) -> pa.Array:
    """Return values of any kind as an array of the field's type; NaN in a field that may be null becomes null."""
    if isinstance(values, pa.ChunkedArray):
        return values.combine_chunks().cast(field.type)
    if isinstance(values, pa.Array):
        return values.cast(field.type)
    if isinstance(values, np.ndarray) and values.dtype.kind in "iufb":
        # Nulls of a whole-number column come as NaN in floats.
        null = np.isnan(values) if field.nullable and values.dtype.kind == "f" else None
        return arrow(values, null).cast(field.type)
    are_lists = pa.types.is_fixed_size_list(field.type) or pa.types.is_list(field.type)
    if (
        isinstance(values, list)
        and not are_lists
        and values
        and all(one is None or isinstance(one, str) for one in values)
    ):
        return arrow(values).cast(field.type)
    array = pa.array(values, from_pandas=field.nullable)
    if are_lists and array.null_count == len(array):
        return pa.nulls(len(array), field.type)
    return array.cast(field.type)


def ranks(column: pa.ChunkedArray) -> np.ndarray:
    """Return the rank of each value among the different values of its column, shape (n,)."""
    return np.from_dlpack(pc.rank(column, tiebreaker="dense"))
