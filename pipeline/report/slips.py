"""Say where the barrel fell behind or came ahead at once, and whether machine or recording did it."""

from pipeline import words
from pipeline.report.results import Found

SLIPPING = {"belt": "a belt slips", "freewheel": "a freewheel catches late"}


def said(found: Found) -> list[str]:
    """Return a sentence for each slip, in the order of the takes."""
    rows = found.slips.sort_values(["recording", "segment", "playthrough", "score_beat"], kind="stable")
    return [words.sentence(_said(found, row)) for row in rows.itertuples(index=False)]


def needs_caution(found: Found) -> bool:
    """Tell whether a sentence sends someone to the machine."""
    return bool((found.slips["cause"] == "machine").any())


def _said(found, row):
    amount, later = words.milliseconds(abs(row.size_s), row.size_se), row.size_s > 0
    when = "later" if later else "earlier"
    where = f"{row.recording}, bar {row.bar}: from one strike to the next all that follow come {amount} {when}"
    if row.cause == "recording":
        what = "holds sound twice" if later else "lost sound"
        return f"{where}, and so does the click: the recording {what} there; use a larger buffer, close other programs"
    moved = "fell behind" if later else "jumped ahead"
    if row.cause == "machine":
        return f"{where}, the click does not: the barrel {moved} there{_advice(found, later)}"
    what = "holds sound twice" if later else "lost sound"
    return (
        f"{where}: the barrel {moved}, or the recording {what} there; a click on a channel of its own would tell which"
    )


def _advice(found, later):
    """Return what slips in such a way, of the drives that the machine has."""
    shafts = [shaft for shaft in found.machine.shafts if shaft.drive in SLIPPING] if later else []
    if not shafts:
        return ""
    ways = [way for drive, way in SLIPPING.items() if any(shaft.drive == drive for shaft in shafts)]
    names = " and ".join(dict.fromkeys(f"the {shaft.name}" for shaft in shafts))
    return f", as when {' or '.join(ways)}; look at the drive of {names}"
