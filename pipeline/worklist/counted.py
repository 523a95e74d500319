"""Take what a job mends out of the strikes, and count the noticed faults again."""

import numpy as np
import pandas as pd

from pipeline import hearing


def fewer_faults(strikes: pd.DataFrame, removed_s) -> tuple[float, float]:
    """Return by how many fewer faults are noticed in all takes together, and the standard error.

    Each chord whose count changes is one event (McNemar 1947); when playthroughs differ by more than that, their own
    variance counts. What a strike out of its place does to the beat that the next ones are held against is left out.

    Parameters
    ----------
    strikes : pd.DataFrame
        Of `GroupData`.
    removed_s : np.ndarray, shape=(n,)
        What comes off the lateness of each strike.
    """
    if not len(strikes):
        return 0.0, 0.0
    won = _faults(strikes, 0.0) - _faults(strikes, removed_s)
    first = strikes[["chord", "recording", "playthrough"]].drop_duplicates("chord").sort_values("chord")
    by_playthrough = pd.Series(won).groupby([first["recording"].to_numpy(), first["playthrough"].to_numpy()]).sum()
    variance = (won**2).sum()
    if len(by_playthrough) > 1:
        variance = max(variance, len(by_playthrough) * by_playthrough.var())
    return float(won.sum()), float(np.sqrt(variance))


def spread_won_s(strikes: pd.DataFrame, removed_s) -> float:
    """Return by how much the standard deviation of `felt_s` falls; 0 for fewer than two felt strikes."""
    before_s = strikes["felt_s"].to_numpy()
    felt = ~np.isnan(before_s)
    if felt.sum() < 2:
        return 0.0
    return float(before_s[felt].std(ddof=1) - (before_s - removed_s)[felt].std(ddof=1))


def _faults(strikes: pd.DataFrame, removed_s) -> np.ndarray:
    """Return what each chord counts once `removed_s` is off."""
    displaced = np.abs(strikes["felt_s"] - removed_s) > strikes["noticed_from_s"]
    late_s = (strikes["late_s"] - removed_s).to_numpy()
    return hearing.chord_faults(strikes["chord"].to_numpy(), late_s, displaced.to_numpy(), strikes["weight"].to_numpy())
