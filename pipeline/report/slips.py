"""Say where the barrel fell behind or came ahead at once, and whether machine or recording did it.

What every take does at one place no recording does: it is the drive, or all pins from there on are set late.
"""

import pandas as pd

from pipeline import words
from pipeline.report.results import Found

SLIPPING = {"belt": "a belt slips", "freewheel": "a freewheel catches late"}


def said(found: Found) -> list[str]:
    """Return a sentence for each place at which every take slips, then one for each other slip, by the takes."""
    rows = found.slips.sort_values(["recording", "segment", "playthrough", "score_beat"], kind="stable")
    common, alone = rows[rows["common_place"].notna()], rows[rows["common_place"].isna()]
    sentences = [_common(found, place) for _, place in common.groupby("common_place")]
    sentences += [_said(found, row) for row in alone.itertuples(index=False)]
    return [words.sentence(one) for one in sentences]


def new(found: Found) -> str:
    """Say how many takes slip where none did at the group before, or the reverse; '' where neither is so."""
    if found.before is None or found.slips_before is None:
        return ""
    now, before = _by_the_machine(found.slips), _by_the_machine(found.slips_before)
    n_now, n_before = (rows["recording"].nunique() for rows in (now, before))
    if bool(n_now) == bool(n_before):
        return ""
    if not n_now:
        return f"No take slips now; {n_before} of those before did."
    bars = sorted(set(now["bar"].astype(int)))
    where = f"{'bar' if len(bars) == 1 else 'bars'} {words.joined([str(bar) for bar in bars[:4]])}"
    where += " and others" if len(bars) > 4 else ""
    sure = now["common_place"].notna() | now["cause"].eq("machine")
    ways = ["falls behind"] * int((now["size_s"] > 0).any()) + ["jumps ahead"] * int((now["size_s"] < 0).any())
    what = f"the barrel {' or '.join(ways)} at once{'' if sure.all() else ', or the recording lost or doubled sound,'}"
    return words.sentence(
        f"New: {what} in {n_now} of {words.count(len(found.used), 'take')}, at {where}; in none of those before"
    )


def _by_the_machine(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the slips that no click lays to the recording."""
    return rows[rows["cause"].ne("recording") | rows["common_place"].notna()]


def _common(found, rows) -> str:
    later = rows["size_s"].mean() > 0
    ends = [1000 * float(one) for one in (rows["size_s"].abs().min(), rows["size_s"].abs().max())]
    low, high = (words.plain(one, 1) for one in ends)
    amount = f"{low if low == high else f'{low} to {high}'}\N{NO-BREAK SPACE}ms"
    bars = sorted(set(rows["bar"].astype(int)))
    where = f"bar {bars[0]}" if len(bars) == 1 else f"bars {bars[0]}–{bars[-1]}"
    takes = words.count(rows["recording"].nunique(), "take")
    way, moved = ("late", "falls behind") if later else ("early", "jumps ahead")
    return (
        f"In every take ({takes}), {where}: from one strike to the next all that follow, of every striker, come "
        f"{amount} {'later' if later else 'earlier'}: the barrel {moved} there{_advice(found, later)}, or every pin "
        f"from there on is set {way}; no single pin beside it is to be moved before that is known"
    )


def needs_caution(found: Found) -> bool:
    """Tell whether a sentence sends someone to the machine."""
    return bool((found.slips["cause"].eq("machine") | found.slips["common_place"].notna()).any())


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
