"""Find misplaced pins, and count what a listener would no longer notice with all of them in their places.

A strike falls when the pin reaches the lever: a late pin goes forward, in the direction of rotation. Pins that are
surely out are one job with its places.
"""

import numpy as np
import pandas as pd
from scipy import stats

from pipeline import hearing, robust, words
from pipeline.words import SURELY
from pipeline.worklist.candidate import AT_THE_BARREL, Candidate, Gain, Job, known, move, place
from pipeline.worklist.group_data import GroupData
from pipeline.worklist.noticed_faults import fewer_faults, spread_won_s
from pipeline.worklist.places import places

MOST_TAKES = 6  # more takes than these are no day's work; our own choice


def pins(heard: GroupData, after: float) -> list[Candidate]:
    """Return the family of pins: those that were called misplaced are jobs.

    Parameters
    ----------
    heard : GroupData
        With the late rows in time that are jobs themselves: they would hide pins beside them.
    after : float
        The gain of the last of those.
    """
    tested = heard.pins[heard.pins["q_value"] < 1]
    return [
        Candidate(pin.q_value, _pin(heard, tested.iloc[[at]], after) if pin.misplaced else None, pin.pin_id)
        for at, pin in enumerate(tested.itertuples())
    ]


def together(heard: GroupData, pin_ids: list[int], after: float) -> Job:
    """Return the one job of several misplaced pins: what they win together is counted once."""
    out = heard.pins[heard.pins["pin_id"].isin(pin_ids)]
    late = int((out["offset_s"] > 0).sum())
    size_s, size_mm = out["offset_s"].abs(), out["offset_mm"].abs()
    many = words.count(len(out), "pin")
    ways = _joined((late, "forward"), (len(out) - late, "backward"))
    if size_mm.isna().any():
        told = f"move {many}, {ways}; list on the work sheet in ms; with the barrel's diameter told it would be mm"
    else:
        told = f"move {many}, {ways}, by {_range(size_mm, '.1f')} mm; list on the work sheet"
    found = _joined((late, "late"), (len(out) - late, "early"))
    return Job(
        part="pin",
        where=many,
        finding=f"they are {_range(1000 * size_s, '.1f')} ms out of place: {found}",
        correction=told,
        effort=AT_THE_BARREL,
        gain=_gain(heard, out),
        places=places(heard, out, moved=True),
        to_be_sure=_to_be_sure(heard, out),
        mends="place",
        after=after,
    )


def _pin(heard, out, after) -> Job | None:
    """Return the job of one pin, a frame of one row; None when its move is too fine."""
    pin = next(out.itertuples())
    move_mm = known(pin.offset_mm)
    if move_mm is not None and abs(move_mm) < heard.machine.finest_move_mm:
        return None
    return Job(
        part="pin",
        where=place(pin.striker, pin.bar, pin.beat_in_bar),
        finding=f"pin is {words.late(pin.offset_s, pin.offset_se)}",
        correction=move("it", move_mm, pin.offset_s),
        effort=AT_THE_BARREL,
        gain=_gain(heard, out),
        correction_mm=move_mm,
        places=places(heard, out, moved=True),
        to_be_sure=_to_be_sure(heard, out),
        mends="place",
        after=after,
    )


def _to_be_sure(heard, out) -> str | None:
    """Say how many more takes tell the moves to the finest move: errors fall as one over the root of the takes."""
    finest_mm = heard.machine.finest_move_mm
    mm_per_s = (out["offset_mm"] / out["offset_s"]).abs()
    wide = SURELY * out["offset_se"] * mm_per_s / finest_mm
    if not np.isfinite(wide).all():
        return None
    more = float((out["n_takes"] * (wide**2 - 1)).median())
    if not 0 < more <= MOST_TAKES:
        return None
    what = "its move" if len(out) == 1 else "the moves"
    return f"about {words.count(np.ceil(more), 'more take')} would tell {what} to ±{finest_mm:g} mm"


def _gain(heard, out) -> Gain:
    """Return the faults at the pins before less those after.

    Of several pins, counted with all of them in their places, for pins far out make a listener's beat less sure, and
    hide others; the interval comes from the errors of the offsets and from what differs between takes. One playthrough
    does not tell that: then the pins' own gains are added up.
    """
    strikes = heard.strikes
    if not strikes["pin_id"].isin(out["pin_id"]).any():
        return Gain(0.0, 0.0, 0.0)
    offset_s = out.set_index("pin_id")["offset_s"].reindex(strikes["pin_id"]).fillna(0.0).to_numpy()
    n_notes = heard.notes["pin_id"].value_counts()
    won, low, high = (each * n_notes.reindex(each.index) for each in _won(strikes, out, offset_s))
    below, above = (float(np.sqrt(((won - end) ** 2).sum())) for end in (low, high))
    noticed = float(won.sum())
    if len(out) > 1 and len(strikes[["recording", "playthrough"]].drop_duplicates()) > 1:
        fewer, se = fewer_faults(strikes, offset_s)
        per_playthrough = heard.notes["pin_id"].isin(out["pin_id"]).sum() / strikes["pin_id"].isin(out["pin_id"]).sum()
        noticed, half = fewer * per_playthrough, SURELY * se * per_playthrough
        below, above = float(np.hypot(below, half)), float(np.hypot(above, half))
    return Gain(noticed, noticed - below, noticed + above, spread_won_s(strikes, offset_s))


def _won(strikes, out, offset_s) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Return, per pin, what a strike of it counts less, each alone: and the least and the most of it by its error.

    Takes are few: so each strike of a pin is one about the median of all of them, with crew and scatter as all strikes
    have.
    """
    own = strikes["pin_id"].isin(out["pin_id"]).to_numpy()
    rows = strikes[own].assign(offset_s=offset_s[own])
    rows["error_s"] = out.set_index("pin_id")["offset_se"].reindex(rows["pin_id"]).to_numpy()
    rows["at_s"] = rows["felt_s"].where(rows["noticed_from_s"].notna()).groupby(rows["pin_id"]).transform("median")
    rows["before"], rows["after"] = _apart(strikes, own, 0.0)[own], _apart(strikes, own, offset_s)[own]
    # As of the felt lateness the median: a hit of something else in one take is no place of the pin.
    rows[["before", "after"]] = rows.groupby("pin_id")[["before", "after"]].transform("median")
    scatter_s = _scatter_s(strikes)
    ends = [_won_if(rows, scatter_s, errors) for errors in (0.0, -SURELY, SURELY)]
    every = pd.concat(ends, axis=1)
    return ends[0], every.min(axis=1), every.max(axis=1)


def _won_if(rows, scatter_s, errors) -> pd.Series:
    """Return per pin what a strike of it counts less, when all lie by `errors` standard errors later than measured."""
    at_s, limit_s = rows["at_s"] + errors * rows["error_s"], rows["noticed_from_s"]
    before, after = (_noticed(where_s, scatter_s, limit_s) for where_s in (at_s, at_s - rows["offset_s"]))
    apart = hearing.APART_COUNTS * ((1 - before) * rows["before"] - (1 - after) * rows["after"])
    won = rows["weight"] * hearing.DISPLACED_COUNTS * (before - after) + apart
    return won.groupby(rows["pin_id"]).mean()


def _apart(strikes, own, removed_s) -> np.ndarray:
    """Return, per strike, its share in a chord that falls apart; 0 where another strike of it is heard displaced."""
    chord, late_s = strikes["chord"].to_numpy(), (strikes["straight_s"] - removed_s).to_numpy()
    displaced = hearing.is_displaced(strikes.assign(felt_s=strikes["felt_s"] - removed_s))
    others = np.bincount(chord, displaced)[chord] - displaced
    shares = np.maximum(np.bincount(chord, own)[chord], 1)
    return hearing.is_apart(chord, late_s)[chord] * (others == 0) / shares


def _scatter_s(strikes) -> float:
    """Return the spread of what differs from take to take in `felt_s`: crew and scatter, robust against freak hits."""
    other_s = (strikes["felt_motion_s"] + strikes["felt_rest_s"]).dropna()
    return float(robust.SD_OF_MAD * (other_s - other_s.median()).abs().median()) if len(other_s) else 0.0


def _noticed(at_s, scatter_s, limit_s) -> pd.Series:
    """Return the chance that N(at_s, scatter_s) lies beyond ±limit_s; 0 where that is not judged."""
    scatter_s = max(scatter_s, 1e-9)
    chance = stats.norm.sf((limit_s - at_s) / scatter_s) + stats.norm.cdf((-limit_s - at_s) / scatter_s)
    return pd.Series(chance, index=limit_s.index).fillna(0.0)


def _range(sizes, form: str) -> str:
    """Write the least and the largest, once where they read alike."""
    ends = [format(end, form) for end in (sizes.min(), sizes.max())]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def _joined(*counted: tuple[int, str]) -> str:
    """Write `7 late and 5 early`, `all late`."""
    some = [(number, word) for number, word in counted if number]
    return f"all {some[0][1]}" if len(some) == 1 else " and ".join(f"{number} {word}" for number, word in some)
