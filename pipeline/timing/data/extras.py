"""Tell extra hits apart: a sound that comes with the strike, a rebound, or a double or stray strike.

A body rings up a second time, a lever clicks: such a sound comes with nearly every strike of a striker, at the same
gap, after the strike or before it. A bounce scatters in its gap, because its flight goes with its speed, and it is
weaker than the strike. What comes at one pin alone belongs to that pin, not to the striker.
"""

import numpy as np
import pandas as pd

from pipeline import robust
from pipeline.timing.model import pin_rates

REACH_S = 0.15  # gap to the strike up to which a sound of it is looked for
STEADY_S = 0.0003  # spread of a gap by placing alone: hits in the tail of another are placed to 0.1-0.3 ms
# Half of the least spread of a bounce over its gap: the restitution of a stop varies by 5 % and more (common practice).
BOUNCE_SPREAD = 0.025
WINDOW_S = 0.001  # in which gaps are counted to find where they crowd
ROOM_S = 0.003  # another strike nearer than this to where a sound would be: this strike says nothing about it
FEWEST_STRIKES, FEWEST_PINS = 8, 3  # that a sound must come with
LEAST_SHARE = 0.5  # of its striker's strikes, every pin counted once; a part of a sound is lost in other sounds
SOONEST_S, LATEST_S = 0.006, 0.085  # of a rebound after its strike, as the stage hits has it
# A restitution of 0.8, more than a damped stop has (common practice), is 1.9 dB. More cannot be asked: in the ring of
# its strike a rebound reads louder than it is.
WEAKER_DB = 2.0


def told(extras: pd.DataFrame, rows: pd.DataFrame, n_strikers: int) -> pd.DataFrame:
    """Tell what each extra hit is.

    Parameters
    ----------
    extras : pd.DataFrame
        `take, striker` (−1: not known)`, hit_s, hit_se, level_db, kind`.
    rows : pd.DataFrame
        Of `strikes.Strikes`.

    Returns
    -------
    pd.DataFrame
        `extras` with `sound_of` (the striker whose sound it is, −1 for none), `sound_gap_s` and `rebound`.
    """
    extras = extras.assign(sound_of=-1, sound_gap_s=np.nan, rebound=False)
    played = rows[rows["played"]]
    if not len(extras) or not len(played):
        return extras
    for striker in range(n_strikers):
        free = (extras["sound_of"] < 0) & extras["striker"].isin([striker, -1])
        mine = extras[free]
        for gap_s, hits in sounds(mine, played, striker):
            at = mine.index[hits]
            extras.loc[at, "sound_of"], extras.loc[at, "sound_gap_s"] = striker, gap_s
    return extras.assign(rebound=_rebounds(extras, played))


def sounds(extras: pd.DataFrame, played: pd.DataFrame, striker: int) -> list[tuple[float, np.ndarray]]:
    """Return the sounds of one striker: gap to the strike (negative: before it) and places of the hits in `extras`."""
    own = played[played["striker"] == striker].drop_duplicates(["take", "hit_id", "hit_s"])
    strike, extra, gap_s = _pairs(own, extras)
    size_s = np.hypot(own["hit_se"].to_numpy()[strike], extras["hit_se"].fillna(0.0).to_numpy()[extra])
    looked, taken, found = np.ones(len(gap_s), bool), np.zeros(len(extras), bool), []
    while looked.sum() >= FEWEST_STRIKES:
        middle_s = _crowd(gap_s[looked])
        near = looked & (np.abs(gap_s - middle_s) <= WINDOW_S)
        placing_s = float(np.sqrt(np.mean(size_s[near] ** 2)))
        limit_s = max(STEADY_S, min(placing_s, BOUNCE_SPREAD * abs(middle_s)))
        around = looked & (np.abs(gap_s - middle_s) <= 5 * limit_s)
        with_it = looked & (np.abs(gap_s - middle_s) <= 3 * limit_s)
        if around.sum() < FEWEST_STRIKES:
            break
        spread_s = robust.SD_OF_MAD * float(np.median(np.abs(gap_s[around] - np.median(gap_s[around]))))
        looked &= ~around
        if spread_s <= limit_s and _share(own, played, strike[with_it], middle_s) >= LEAST_SHARE:
            hits = np.unique(extra[with_it])
            found.append((middle_s, hits[~taken[hits]]))
            taken[hits] = True
            looked &= ~taken[extra]
    return found


def _pairs(own, extras, reach_s=REACH_S):
    """Return all pairs of a strike and an extra hit of the same take within `reach_s`: places in both, and the gap."""
    apart_s = 1e6  # takes lie that far apart on one line of time
    strike_s = own["hit_s"].to_numpy() + apart_s * own["take"].to_numpy()
    extra_s = extras["hit_s"].to_numpy() + apart_s * extras["take"].to_numpy()
    order = np.argsort(strike_s, kind="stable")
    first = np.searchsorted(strike_s[order], extra_s - reach_s)
    last = np.searchsorted(strike_s[order], extra_s + reach_s, side="right")
    extra = np.repeat(np.arange(len(extra_s)), last - first)
    within = np.arange(len(extra)) - np.repeat(np.cumsum(last - first) - (last - first), last - first)
    strike = order[first[extra] + within]
    return strike, extra, extras["hit_s"].to_numpy()[extra] - own["hit_s"].to_numpy()[strike]


def _crowd(gap_s):
    """Return the median of the gaps in the fullest window of WINDOW_S."""
    gap_s = np.sort(gap_s)
    last = np.searchsorted(gap_s, gap_s + WINDOW_S, side="right")
    fullest = int(np.argmax(last - np.arange(len(gap_s))))
    return float(np.median(gap_s[fullest : last[fullest]]))


def _share(own, played, strike, gap_s):
    """Return the share of strikes that the sound comes with, the mean over the pins; 0 where too few could show it.

    A strike with another strike where the sound would be says nothing: two strikers that always follow each other at
    one gap would make a sound of each other's leakage.
    """
    _, _, other_s = pairs = _pairs(own, played, abs(gap_s) + ROOM_S)
    clear = np.ones(len(own), bool)
    clear[pairs[0][np.abs(other_s - gap_s) < ROOM_S]] = False
    has = np.zeros(len(own), bool)
    has[strike] = True
    by_pin = pd.DataFrame({"pin": own["pin"].to_numpy(), "has": has})[clear].groupby("pin")["has"].agg(["sum", "mean"])
    if by_pin["sum"].sum() < FEWEST_STRIKES or (by_pin["sum"] > 0).sum() < FEWEST_PINS:
        return 0.0
    return float(by_pin["mean"].mean())


def _rebounds(extras, played):
    """Return which extra hits bounce after a strike of their own striker.

    Not a sound, and not what comes at one gap at a pin where it comes more often than at the others.
    """
    named = extras[(extras["striker"] >= 0) & (extras["sound_of"] < 0)]
    found = [
        _bounces(named[named["striker"] == striker], own)
        for striker, own in played.drop_duplicates(["take", "hit_id", "hit_s", "striker"]).groupby("striker")
    ]
    bounces = pd.concat(found).drop_duplicates("extra")
    pins = played.groupby("pin").agg(striker=("striker", "first"), total=("pin", "size"))
    pins["count"] = bounces.groupby("pin").size().reindex(pins.index).fillna(0).astype(int)
    called = pin_rates.q_values(*(pins[name].to_numpy() for name in ("count", "total", "striker"))) < pin_rates.CALLED_Q
    by_pin = bounces.groupby("pin")["gap_s"]
    middle_s = by_pin.transform("median")
    spread_s = robust.SD_OF_MAD * (bounces["gap_s"] - middle_s).abs().groupby(bounces["pin"]).transform("median")
    steady = spread_s <= np.maximum(STEADY_S, BOUNCE_SPREAD * middle_s)
    of_pin = steady & bounces["pin"].isin(pins.index[called])
    return extras.index.isin(bounces.loc[~of_pin, "extra"])


def _bounces(extras, own):
    """Return the extra hits of a striker, by their index, that are soon after a strike and weaker: with pin and gap."""
    strike, extra, gap_s = _pairs(own, extras)
    weaker_db = own["level_db"].to_numpy()[strike] - extras["level_db"].to_numpy()[extra]
    called = extras["kind"].to_numpy()[extra] == "rebound"
    some = (gap_s >= SOONEST_S) & (gap_s <= LATEST_S) & (called | (weaker_db > WEAKER_DB))
    pin = own["pin"].to_numpy()[strike]
    return pd.DataFrame({"extra": extras.index[extra[some]], "pin": pin[some], "gap_s": gap_s[some]})
