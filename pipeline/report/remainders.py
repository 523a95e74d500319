"""Say what the remainder still shows: a swing after strikes, two humps, a delay that changes with speed."""

from pipeline import words
from pipeline.report.results import Found

TENTH = 0.1  # of the speed: the step for which a delay that changes with it is told


def said(found: Found) -> list[str]:
    """Return a sentence for each finding."""
    tell = {"swing": _swing, "humps": _humps, "pace": _pace}
    return [words.sentence(words.capital(tell[row.kind](row))) for row in found.remainders.itertuples(index=False)]


def _swing(row):
    amount = words.milliseconds(row.size_s, row.size_se)
    often = (
        f"at {row.frequency_hz:.1f}\N{NO-BREAK SPACE}Hz"
        if words.known(row.frequency_hz)
        else "for some tenths of a second"
    )
    unknown = "" if words.known(row.frequency_hz) else "; how fast, strikes on a grid do not tell"
    return (
        f"after strikes the following ones swing {often}, by {amount} to either side at first{unknown}: something "
        "between wheel and barrel may give like a spring, such as a belt or a coupling"
    )


def _humps(row):
    who = f"{row.striker} strikes" if row.striker else "all strikers strike"
    what = "its lever" if row.striker else "the drive"
    return (
        f"{who} at one of two times, {words.milliseconds(row.size_s, row.size_se)} apart, and a pin does not keep to "
        f"one of them: there may be play in {what}"
    )


def _pace(row):
    way = "later" if row.size_s > 0 else "earlier"
    amount = words.milliseconds(TENTH * abs(row.size_s), TENTH * row.size_se)
    return (
        f"where the machine turns 10\N{NO-BREAK SPACE}% slower, {row.striker} comes {amount} {way} than the others, "
        "which the place of its lever does not explain: the way it is let go may depend on speed"
    )
