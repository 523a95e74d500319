"""Copy a table into CSV for a spreadsheet."""

import csv
import io

import pyarrow as pa

_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet may take a text that begins so for a formula and run it


def csv_of(table: pa.Table) -> str:
    """Return a table as CSV: names first; null is empty; a text that a spreadsheet could run gets a ' before it."""
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow(table.column_names)
    for row in table.to_pylist():
        rows.writerow([plain(value) for value in row.values()])
    return text.getvalue()


def plain(value):
    """Return a value of a cell as a spreadsheet reads it without running it."""
    if isinstance(value, (list, tuple)):
        value = "; ".join(map(str, value))
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value
