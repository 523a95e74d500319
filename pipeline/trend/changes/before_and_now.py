"""Set the values of each thing in the group before beside those now: pins, strikers, shafts, microphones.

In: the two groups' rows of the tables, and the `Pair`. Out: frames with the columns COLUMNS, one row a thing and
quantity. `told` is False where the two must not be compared; `is_new` says that there was none before, `out_before` and
`out_after` whether a value was called out of order; less than `least` is no change; `family` shares the error that a
comparison may make (`verdicts`).
"""

import numpy as np
import pandas as pd

from pipeline.trend.changes.pairs import Pair

COLUMNS = (
    "kind", "thing", "quantity", "note_id", "striker", "bar", "beat_in_bar", "before", "before_se", "after",
    "after_se", "change", "change_se", "df", "unit", "family", "least", "told", "is_new", "out_before", "out_after",
)  # fmt: skip
OUT_Z = 4.0  # standard errors from the middle at which a striker is out of order; of a dozen, none by chance
LEAST_OUT_S = 0.002  # a delay below it is none to mend: a third of what is noticed at best (6 ms, Friberg & Sundberg)
FAR_S = 0.1  # a sixteenth at 150 quarter notes a minute; chosen
SD_OF_MEDIAN = 1.2533  # of the standard error of a mean: sqrt(pi/2), normal variables


def pins(pair: Pair, before: pd.DataFrame, now: pd.DataFrame, new_bars: frozenset[int] = frozenset()) -> pd.DataFrame:
    """Return the places of the pins. A place is an angle: what it costs in time grows as the machine turns slower.

    Of `new_bars` (`matching.new_bars`) all pins are new; then a pin that is out by more than FAR_S tells nothing: a
    take that never had the bar was held against it, and another note's strike was taken for the pin's.
    """
    slower = pair.slower if np.isfinite(pair.slower) else 1.0
    old = before.set_index("pin_id")[["free_s", "free_se", "misplaced"]].astype(
        {"free_s": float, "free_se": float, "misplaced": bool}
    )
    partner = now["pin_id"].map(pair.pin_of).where(~now["bar"].isin(new_bars))
    was = old.reindex(partner).reset_index(drop=True)
    now = now.reset_index(drop=True)
    made = pd.DataFrame({"thing": "pin " + now["pin_id"].astype(str)})
    made = made.join(now[["note_id", "striker", "bar", "beat_in_bar"]])
    made["before"], made["before_se"] = was["free_s"] * slower, was["free_se"] * slower
    made["after"], made["after_se"] = now["free_s"].astype(float), now["free_se"].astype(float)
    made["out_before"], made["out_after"] = was["misplaced"].eq(True), now["misplaced"].astype(bool)
    far = made[["before", "after"]].abs().max(axis=1) > FAR_S
    made["told"], made["is_new"] = ~far | (not new_bars), partner.isna().to_numpy()
    now_of = {old: new for new, old in pair.pin_of.items()}
    # Not reached by the takes of today, or gone from the arrangement.
    gone = before[~before["pin_id"].isin(now["pin_id"].map(pair.pin_of))]
    things = [f"pin {now_of[pin]}" if pin in now_of else f"pin {pin} before" for pin in gone["pin_id"]]
    lost = gone[["striker", "bar", "beat_in_bar"]].assign(thing=things)
    lost["before"], lost["before_se"] = gone["free_s"] * slower, gone["free_se"] * slower
    lost = lost.assign(told=False, is_new=False, out_before=gone["misplaced"].astype(bool), out_after=False)
    both = pd.concat([made, lost], ignore_index=True) if len(lost) else made
    both["change"] = both["after"] - both["before"]
    both["change_se"] = np.hypot(both["after_se"], both["before_se"])
    return _framed(both, kind="pin", quantity="place", unit="s", family="pins")


def strikers(pair: Pair, before: pd.DataFrame, now: pd.DataFrame, moved: set[str]) -> pd.DataFrame:
    """Return delay, company and readiness of the strikers; `moved`: those whose microphone may have been moved.

    Delays are against the mean of all strikers, which one late striker moves too: the middle one of all changes is
    taken out. Where the tempo differs, a delay changes by an unknown part of as much: a lever out of place costs more
    time at a slower turn, a delay of its own does not.
    """
    was = before.set_index("striker").reindex(now["striker"]).reset_index(drop=True)
    now = now.reset_index(drop=True)
    frames = []
    for quantity in ("delay", "company", "readiness"):
        columns = [f"{quantity}_s", f"{quantity}_se"]
        made = pd.DataFrame({"thing": now["striker"], "striker": now["striker"], "told": True})
        made[["before", "before_se"]] = was[columns].astype(float).to_numpy()
        made[["after", "after_se"]] = now[columns].astype(float).to_numpy()
        made["change"] = made["after"] - made["before"]
        made["change_se"] = np.hypot(made["after_se"], made["before_se"])
        made["out_before"], made["out_after"] = (_out(made, when) for when in ("before", "after"))
        if quantity == "delay":
            made = _against_the_middle(made, pair)
            made["told"] &= pair.same_rig & ~made["striker"].isin(moved)
        frames.append(_framed(made, kind="striker", quantity=quantity, unit="s", family="strikers"))
    return pd.concat(frames, ignore_index=True)


def _out(made: pd.DataFrame, when: str) -> pd.Series:
    """Return which values lie out: away from the middle one, or from 0 of the two effects that are 0 in most."""
    away = (made[when] - made[when].median()).abs()
    return (away > OUT_Z * made[f"{when}_se"]) & (away > LEAST_OUT_S)


def _against_the_middle(made: pd.DataFrame, pair: Pair) -> pd.DataFrame:
    """Return the delays against the middle one before, and their changes less the middle one of all changes."""
    known = made["change"].notna()
    middle = made["change"].median()
    middle_se = SD_OF_MEDIAN * made.loc[known, "change_se"].mean() / np.sqrt(max(known.sum(), 1))
    before = made["before"] - made["before"].median()
    tempo_se = before.abs() * (abs(pair.slower - 1) if np.isfinite(pair.slower) else np.inf)
    change = made["change"] - middle
    change_se = np.sqrt(made["change_se"] ** 2 + middle_se**2 + tempo_se**2)
    made = made.assign(before=before, after=(before + change).fillna(made["after"]), change=change, change_se=change_se)
    # Of two strikers nobody can say which of them moved.
    return made.assign(told=bool(known.sum() > 2))


def strikers_rates(
    before: pd.DataFrame, now: pd.DataFrame, dispersion: dict[str, float], told: bool = True
) -> pd.DataFrame:
    """Return the shares of missed strikes, and of double or stray ones, of each striker.

    Parameters
    ----------
    dispersion : dict of str to float
        For 'missed' and 'extra': by how much the variance of counts exceeds that of Poisson variables.
    told : bool
        False where bars were inserted: of those the takes before have missed all.
    """
    was = before.set_index("striker").reindex(now["striker"]).reset_index(drop=True)
    now = now.reset_index(drop=True)
    made = pd.DataFrame({"thing": now["striker"], "striker": now["striker"]})
    tried = [of["n_played"] + of["n_missed"] for of in (was, now)]
    frames = []
    for quantity, count in (("missed", "n_missed"), ("extra", "n_extra")):
        rows = _rates(made, [of[count] for of in (was, now)], tried, dispersion[quantity]).assign(told=told)
        frames.append(_framed(rows, kind="striker", quantity=quantity, unit="ratio", family="rates"))
    return pd.concat(frames, ignore_index=True)


def pins_missed(pair: Pair, before: pd.DataFrame, now: pd.DataFrame, asked: set[int]) -> pd.DataFrame:
    """Return the share of missed strikes of the pins `asked`, by their numbers now; of others it tells nothing."""
    now = now[now["pin_id"].isin(asked)].reset_index(drop=True)
    was = before.set_index("pin_id").reindex(now["pin_id"].map(pair.pin_of)).reset_index(drop=True)
    made = now[["note_id", "striker", "bar", "beat_in_bar"]].assign(thing="pin " + now["pin_id"].astype(str))
    tried = [of["n_struck"] + of["n_failed"] for of in (was, now)]
    rows = _rates(made, [of["n_failed"] for of in (was, now)], tried, 1.0)
    return _framed(rows, kind="pin", quantity="missed", unit="ratio", family="rates")


def _rates(made: pd.DataFrame, counts, tried, dispersion: float) -> pd.DataFrame:
    made = made.assign(told=True)
    for when, count, of in zip(("before", "after"), counts, tried, strict=True):
        of = of.astype(float).where(of > 0)
        made[when] = count / of
        # Half an event more, so that a striker without any does not have the variance 0.
        made[f"{when}_se"] = np.sqrt(dispersion * (count + 0.5)) / of
    made["change"] = made["after"] - made["before"]
    made["change_se"] = np.hypot(made["after_se"], made["before_se"])
    return made.assign(out_before=made["change"] < 0, out_after=made["change"] > 0)


def shafts(pair: Pair, before: pd.DataFrame, now: pd.DataFrame, least_s: tuple[float, float]) -> pd.DataFrame:
    """Return the wobbles. One that was not found lies below what would have been found, if that is known.

    Parameters
    ----------
    least_s : (float, float)
        Amplitude from which on a wobble of a named shaft would have been found, before and now; NaN: not known.
    """
    was, is_now = (_wobbles(frame) for frame in (before, now))
    both = was.add_suffix("_was").join(is_now, how="outer")
    made = pd.DataFrame(index=both.index)
    for when, size, se in (
        ("before", "amplitude_s_was", "amplitude_se_was"),
        ("after", "amplitude_s", "amplitude_se"),
    ):
        made[when], made[f"{when}_se"] = both[size].astype(float), both[se].astype(float)
    made["out_before"], made["out_after"] = made["before"].notna(), made["after"].notna()
    made["change"] = made["after"] - made["before"]
    made["change_se"] = np.hypot(made["after_se"], made["before_se"])
    # What is gone has changed by at least its size less what would not have been found.
    for when, other, least, sign in (("after", "before", least_s[1], -1), ("before", "after", least_s[0], 1)):
        lone = made[when].isna()
        made.loc[lone, "change"] = sign * (made.loc[lone, other] - least).clip(lower=0.0)
        made.loc[lone, "change_se"] = made.loc[lone, f"{other}_se"]
    made = made.assign(told=made["change"].notna()).reset_index(names="thing")
    return _framed(made, kind="shaft", quantity="wobble", unit="s", family="shafts")


def _wobbles(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the wobbles by shaft and harmonic; those that nobody named by their order."""
    named = frame["shaft"].fillna("").to_numpy()
    times = np.where(frame["harmonic"].fillna(1).astype(float) > 1, ", twice a turn", "")
    orders = [f"{order:.1f} times a turn of the barrel" for order in frame["order"]]
    thing = [shaft + often if shaft else order for shaft, often, order in zip(named, times, orders, strict=True)]
    return frame.assign(thing=thing).groupby("thing")[["amplitude_s", "amplitude_se"]].first()


def _framed(made: pd.DataFrame, **fixed) -> pd.DataFrame:
    usual = {"df": np.inf, "least": 0.0, "is_new": False}
    return made.assign(**{name: value for name, value in usual.items() if name not in made}, **fixed).reindex(
        columns=COLUMNS
    )
