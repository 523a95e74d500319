"""Say in which time the machine stops when people let it go, and the caution that belongs there."""

import numpy as np

from pipeline import words
from pipeline.report.results import Found

CAUTION = (
    "Until it stands, the wheel drives all that it is coupled to: keep hands, feet and clothes away. Guards and brake: "
    "local codes and licensed practice decide."
)


def said(found: Found) -> str:
    """Return the sentence; '' where no take of the group runs down at its end, or none tells when it would stop."""
    takes = found.used.dropna(subset=["stops_s"])
    if not len(takes):
        return ""
    stops_s, se = takes["stops_s"].mean(), np.sqrt(np.square(takes["stops_se"]).mean())  # the law's error is common
    low, high = (stops_s + sign * words.SURELY * se for sign in (-1, 1))
    n_takes = words.count(len(takes), "take")
    return (
        f"Let go at its playing speed, the machine stands still after {words.about(stops_s, 's')} "
        f"({words.about(low)} to {words.about(high)}; {n_takes}), if nobody pedalled or braked while it slowed down at "
        f"the end: then friction, and the strikes on the way, take {words.percent(1 / stops_s)} of that speed a "
        "second, on average."
    )
