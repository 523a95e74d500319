"""Take what a job mends out of the strikes, let the listener follow them anew, and count the noticed faults again.

Anew, because a strike out of its place pulls the felt beat along, and a listener whose beat is surer lets less pass.
"""

import numpy as np
import pandas as pd

from pipeline import felt, hearing

LINE = ["recording", "segment"]


def laid_out(strikes: pd.DataFrame, length_s: float) -> pd.DataFrame:
    """Return the strikes of 'lateness' as a listener follows them, in their order in each take.

    Added: `weight`, 1 over the notes that share the hit; `chord`, the same for those of a take that are written
    together; `line`, the same for those that one beat is carried through; `place_s`, when the strike is due at the
    line's mean tempo; `straight_s`, its lateness against that; `gap_s`, the time since the onset before.

    Parameters
    ----------
    length_s : float
        From the start of the arrangement to its start when it goes round again.
    """
    along_s = strikes["score_s"] + (strikes["playthrough"] - 1) * length_s
    strikes = strikes.assign(along_s=along_s).sort_values([*LINE, "along_s"], kind="stable", ignore_index=True)
    strikes = strikes.assign(
        weight=1 / strikes["shared"],
        chord=hearing.chord_of(strikes),
        line=strikes.groupby(LINE, sort=False).ngroup(),
        place_s=0.0,
        straight_s=0.0,
        gap_s=np.nan,
    )
    for _, rows in strikes.groupby("line"):
        pace, start_s = _straight(rows["along_s"].to_numpy(), rows["hit_s"].to_numpy())
        place_s = pace * rows["along_s"].to_numpy()
        onset_s = np.unique(place_s)
        gap_s = np.diff(onset_s, prepend=np.nan)[np.searchsorted(onset_s, place_s)]
        columns = ["place_s", "straight_s", "gap_s"]
        strikes.loc[rows.index, columns] = np.column_stack([place_s, rows["hit_s"] - start_s - place_s, gap_s])
    return strikes


def fewer_faults(strikes: pd.DataFrame, removed_s) -> tuple[float, float]:
    """Return by how many fewer faults are noticed in all takes together, and the standard error.

    The error is what differs from playthrough to playthrough, at each chord by itself and in their sums, whichever is
    more; of one playthrough, each chord whose count changes is one event (McNemar 1947).

    Parameters
    ----------
    strikes : pd.DataFrame
        Of `laid_out`.
    removed_s : np.ndarray, shape=(n,)
        What comes off the lateness of each strike.
    """
    if not len(strikes):
        return 0.0, 0.0
    won = _faults(strikes, 0.0) - _faults(strikes, removed_s)
    chords = strikes.drop_duplicates("chord").sort_values("chord").assign(won=won)
    sums = chords.groupby(["recording", "playthrough"])["won"].sum()
    at_each = chords.groupby("score_beat")["won"].agg(["size", "var"])
    alone = at_each.index[at_each["size"] == 1]
    variance = (at_each["size"] * at_each["var"]).sum() + (
        chords.loc[chords["score_beat"].isin(alone), "won"] ** 2
    ).sum()
    if len(sums) > 1:
        variance = max(variance, len(sums) * sums.var())
    return float(won.sum()), float(np.sqrt(variance))


def spread_won_s(strikes: pd.DataFrame, removed_s) -> float:
    """Return by how much the standard deviation of the felt lateness falls; 0 for fewer than two felt strikes."""
    before_s, after_s = (felt_again(strikes, one)[0] for one in (0.0, removed_s))
    felt_s = ~np.isnan(before_s) & ~np.isnan(after_s)
    return float(before_s[felt_s].std(ddof=1) - after_s[felt_s].std(ddof=1)) if felt_s.sum() > 1 else 0.0


def felt_again(strikes: pd.DataFrame, removed_s) -> tuple[np.ndarray, np.ndarray]:
    """Return what a listener feels of each strike once `removed_s` is off, and from what size on it is noticed."""
    felt_s, limit_s = np.full((2, len(strikes)), np.nan)
    late_s = strikes["straight_s"].to_numpy() - removed_s
    place_s, chord, gap_s = (strikes[name].to_numpy() for name in ("place_s", "chord", "gap_s"))
    for at in strikes.groupby("line").indices.values():
        felt_of, felt_se = felt.felt_of(place_s[at], chord[at], late_s[at][:, None], np.ones(len(at), bool))
        felt_s[at], limit_s[at] = felt_of[:, 0], felt.limit_s(gap_s[at], felt_se)
    return felt_s, np.where(strikes["noticed_from_s"].isna(), np.nan, limit_s)  # what was not judged is not


def _straight(along_s, hit_s) -> tuple[float, float]:
    """Return pace and start of the straight line through the hits; the written pace where all are at one place."""
    if np.ptp(along_s) <= 0:
        return 1.0, float(np.mean(hit_s - along_s))
    pace, start_s = np.polyfit(along_s, hit_s, 1)
    return float(pace), float(start_s)


def _faults(strikes: pd.DataFrame, removed_s) -> np.ndarray:
    """Return what each chord counts once `removed_s` is off."""
    felt_s, limit_s = felt_again(strikes, removed_s)
    late_s = strikes["straight_s"].to_numpy() - removed_s
    chord, weight = strikes["chord"].to_numpy(), strikes["weight"].to_numpy()
    return hearing.chord_faults(chord, late_s, np.abs(felt_s) > limit_s, weight)
