"""Write the keys of a group as columns."""

from pipeline import settings


def of_group(group: settings.Group, n: int, day: bool = True) -> dict:
    """Return `arrangement, build_day, session, setup` for `n` rows; without the day where the path says it."""
    keys = {"arrangement": [group.arrangement] * n, "session": [group.session] * n, "setup": [group.setup] * n}
    return keys | ({"build_day": [group.build_day] * n} if day else {})
