"""Write the keys of a group as columns."""

from pipeline import settings, tables


def of_group(group: settings.Group, n: int, day: bool = True) -> dict:
    """Return the columns `tables.GROUP_KEYS` for `n` rows; without the day where the path says it."""
    keys = zip(tables.GROUP_KEYS, group.key, strict=True)
    return {name: [value] * n for name, value in keys if day or name != "build_day"}
