"""Find where the drive gives way at once, and count what a listener would no longer notice if it held.

A slip is a job where the machine surely did it: at one place of every take, which no recording does, or where a click
goes on through it.
"""

import numpy as np
import pandas as pd

from pipeline import words
from pipeline.words import SURELY
from pipeline.worklist.candidate import AT_THE_DRIVE, Candidate, Gain, Job
from pipeline.worklist.group_data import GroupData
from pipeline.worklist.noticed_faults import fewer_faults, spread_won_s

LINES = "paint a line across each joint and from belt to pulley, then play: where it no longer meets, something slipped"

LEAST_PLACES = 3  # of two, one in seven pairs lies so near by chance
SAME_ANGLE_TURN = 0.07  # from the middle one: a rest hides the place of a slip by some beats of some 32 a turn


def slips(heard: GroupData) -> list[Candidate]:
    """Return the family of slips: each place at which every take slips, and all others that a click tells together."""
    rows = heard.slips
    if rows is None or not len(rows):
        return []
    common, alone = rows[rows["common_place"].notna()], rows[rows["common_place"].isna() & rows["cause"].eq("machine")]
    late = common["size_s"] > 0
    parts = ((_common, common[late]), (_common, common[~late]), (_alone, alone))
    return [Candidate(float(part["q_value"].max()), write(heard, part)) for write, part in parts if len(part)]


def _common(heard, rows) -> Job:
    late_s, se_s = float(rows["size_s"].mean()), float(np.sqrt((rows["size_se"] ** 2).mean() / len(rows)))
    way, bars = ("late" if late_s > 0 else "early"), sorted(set(rows["bar"].astype(int)))
    surface = heard.surface_mm_per_s()
    by = "" if surface is None else f" by {words.millimetres(abs(late_s) * surface)}"
    where = f"the drive at {'bar' if len(bars) == 1 else 'bars'} {words.joined([str(bar) for bar in bars])}"
    finding = (
        f"in every take all strikes from there on come {words.milliseconds(abs(late_s), se_s)} "
        f"{'later' if late_s > 0 else 'earlier'}, of all strikers{_once_a_turn(heard, rows)}: the drive "
        f"{'gives way' if late_s > 0 else 'jumps ahead'} there, or every pin from there on is set {way}{by}"
    )
    return _job(heard, rows, where, finding, "; move no single pin there before")


def _once_a_turn(heard, rows) -> str:
    """Say that the places lie at one angle of the barrel, where there are enough to tell it from chance."""
    turn = heard.notes.set_index("score_beat")["barrel_turn"].groupby(level=0).first()
    at = rows.groupby("common_place")["score_beat"].first().map(turn).dropna().to_numpy(dtype=float)
    if len(at) < LEAST_PLACES or heard.machine.barrel.bars_per_turn is None:
        return ""
    middle = np.angle(np.exp(2j * np.pi * at).mean()) / (2 * np.pi)
    off = np.abs((at - middle + 0.5) % 1.0 - 0.5)
    if off.max() > SAME_ANGLE_TURN or len(set(np.floor(at))) < LEAST_PLACES:
        return ""
    return f", each time at the same angle of the barrel, {360 * (middle % 1):.0f}° from the mark"


def _alone(heard, rows) -> Job:
    bars = words.joined([f"{row.recording} bar {row.bar}" for row in rows.itertuples()][:3])
    more = f" and {len(rows) - 3} more" if len(rows) > 3 else ""
    finding = (
        f"at once all strikes that follow come {words.milliseconds(rows['size_s'].abs().mean())} "
        f"{'later' if rows['size_s'].mean() > 0 else 'earlier'} and the click does not ({bars}{more}): the barrel "
        f"{'fell behind' if rows['size_s'].mean() > 0 else 'jumped ahead'}"
    )
    return _job(heard, rows, "the drive", finding, "")


def _job(heard, rows, where, finding, then) -> Job:
    of = f" of {words.joined(['the barrel', *(f'the {shaft.name}' for shaft in heard.machine.shafts)])}"
    return Job(
        part="shaft",
        where=where,
        finding=finding,
        correction=f"look at the drive{of}: joints, keys, belts, freewheels{then}",
        effort=AT_THE_DRIVE,
        gain=_gain(heard, rows),
        to_be_sure=LINES,
        mends="slip",
    )


def _gain(heard, rows) -> Gain:
    """Return what a playthrough wins when no strike comes later by a slip before it."""
    strikes = heard.strikes
    removed_s, error_s = np.zeros(len(strikes)), np.zeros(len(strikes))
    for row in rows.itertuples():
        after = _after(strikes, row)
        removed_s += np.where(after, row.size_s, 0.0)
        error_s += np.where(after, row.size_se, 0.0)
    won, se = fewer_faults(strikes, removed_s)
    ends = [fewer_faults(strikes, removed_s + side * SURELY * error_s)[0] for side in (-1, 1)]
    n = max(len(strikes[["recording", "playthrough"]].drop_duplicates()), 1)
    below, above = np.hypot(SURELY * se, won - min(*ends, won)), np.hypot(SURELY * se, max(*ends, won) - won)
    return Gain(won / n, (won - below) / n, (won + above) / n, spread_won_s(strikes, removed_s))


def _after(strikes: pd.DataFrame, row) -> pd.Series:
    """Return which strikes come after a slip, on its own stretch of the take."""
    later = strikes["playthrough"].gt(row.playthrough) | (
        strikes["playthrough"].eq(row.playthrough) & strikes["score_beat"].ge(row.score_beat - 1e-9)
    )
    return strikes["recording"].eq(row.recording) & strikes["segment"].eq(row.segment) & later
