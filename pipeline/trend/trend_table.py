"""Make the table 'trend': compare each group with the one before, the first and the baseline.

In: the table of recordings. Out: value and change of each quantity, with its interval and verdict.
"""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import tables
from pipeline.trend import group_values, in_turn
from pipeline.trend.group_values import KEYS
from pipeline.trend.intervals import with_intervals

# In all of them less is better. Spreads and losses are compared by their logarithms, since faults multiply them.
# `late_sd_s` only of takes with a click: without one it is how a free crew drifts over a song.
SPREADS = ("felt_sd_s", "together_s", "steady_1", "steady_4", "sag_max", "late_sd_s")
RATES = {"missed": "n_missed", "extra": "n_extra"}  # of the notes that could have been heard
QUANTITIES = (*SPREADS, *RATES)


def trend(recordings: pa.Table, baseline, listed: tuple[str, ...] = ()) -> pa.Table:
    """Compare each group with the one before, the first and the baseline.

    Parameters
    ----------
    recordings : pa.Table
        Contract 'recordings'.
    baseline : date or None
        One more build day to compare with.
    listed : tuple of str
        The recordings in the order in which they were played; () if that is the order of the table.

    Returns
    -------
    pa.Table
        Contract 'trend'. The change is null where there is no group to compare with, or where that group does not have
        the quantity: it is never compared with an older group instead. Set-ups that were played in turn are compared by
        neighbouring takes (`in_turn`): their `change` is not the difference of the two values. The `value` of a spread
        is the geometric mean of the takes; the interval of its `change` is that of the ratio, multiplied by the value
        compared with. The `value` of a rate is that of all takes together.
    """
    every = recordings.to_pandas()
    if listed:
        every = every.assign(place=every["recording"].map(listed.index)).sort_values("place")
    every["late_sd_s"] = every["late_sd_s"].where(every["click_offset_s"].notna())
    used = every[every["status"] == "used"]
    rows = []
    for name, of_song in used.groupby("arrangement"):
        pairs = list(_pairs(of_song[KEYS].drop_duplicates(), baseline))
        all_listed = every[every["arrangement"] == name]
        turns = {one: in_turn.turns(all_listed, *one) for one in {(at, other) for at, _, other in pairs if other}}
        for quantity in QUANTITIES:
            groups, df = _values(of_song, quantity)
            known = {tuple(group[key] for key in KEYS): group for _, group in groups.iterrows()}
            for at, against, other_at in pairs:
                if at in known:
                    row = dict(zip(KEYS, at, strict=True)) | {"quantity": quantity, "against": against, "df": df}
                    row |= _compared(known[at], known.get(other_at), quantity in SPREADS)
                    rows.append(row | _in_turn(turns.get((at, other_at)), of_song, groups, row))
    names = tables.CONTRACTS["trend"].schema.names
    columns = [name for name in names if name != "takes_needed"] + ["reference", "estimate", "se", "take_se"]
    made = with_intervals(pd.DataFrame(rows, columns=columns))
    return tables.build("trend", {name: made[name].to_list() for name in names})


def _values(takes: pd.DataFrame, quantity: str) -> tuple[pd.DataFrame, float]:
    """Return the value of each group and the degrees of freedom of its variance."""
    if quantity in RATES:
        return group_values.rates(takes, RATES[quantity])
    return group_values.spreads(takes, quantity)


def _pairs(groups: pd.DataFrame, baseline):
    """Yield (group, against, the group compared with or None); sorted by build day, session and set-up."""
    keys = sorted(groups.itertuples(index=False, name=None))
    for place, group in enumerate(keys):
        yield group, "previous", keys[place - 1] if place else None
        yield group, "first", keys[0] if place else None
        if baseline is not None:
            # The last group of that day. The day itself is not compared with it.
            days = [key for key in keys if key[1] == baseline != group[1]]
            yield group, "baseline", days[-1] if days else None


def _compared(group, other, in_logs: bool) -> dict:
    """Return a group's value and its change; `estimate` with `se` is the change on the scale of the interval."""
    row = {"n_recordings": group["size"], "value": group["value"], "value_se": group["value_se"]}
    if other is None:
        return row | {"df": np.nan}
    value, reference = group["value"], other["value"]
    row |= {"change": value - reference, "reference": reference if in_logs else np.nan}
    row["estimate"] = np.log(value / reference) if in_logs else value - reference
    # Of one take, by those of this group and of the other.
    takes = group["size"] * other["size"] / (group["size"] + other["size"])
    se = np.sqrt(group["variance"] + other["variance"])
    return row | {"se": se, "take_se": se * np.sqrt(takes)}


def _in_turn(turns, of_song, groups, row: dict) -> dict:
    """Return what changes in a row because the two set-ups were played in turn; {} where they were not."""
    if turns is None or "reference" not in row:
        return {}
    quantity = row["quantity"]
    if in_logs := quantity in SPREADS:
        found = in_turn.spread(turns, of_song, quantity)
    else:
        found = in_turn.rate(turns, of_song, RATES[quantity], groups)
    if not found:
        return {}
    change = row["reference"] * np.expm1(found["estimate"]) if in_logs else found["estimate"]
    return found | {"change": change, "n_pairs": turns.n_pairs, "n_days": turns.n_days}
