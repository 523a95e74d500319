"""Give all changes of a comparison simultaneous intervals, and the verdicts that follow.

A barrel has hundreds of pins: with a 95 % interval for each, dozens would be called moved by chance. The error of a
comparison, 5 %, is shared by its families, and within a family by its members (Bonferroni's inequality, Dunn 1961, J.
Am. Stat. Assoc. 56): in 95 of 100 comparisons all intervals hold the true change at once. Pins of which the last work
list asked something are a family of their own: they are few, so that their intervals are narrower.
"""

import numpy as np
import pandas as pd
from scipy import stats

# Shares of the error of a comparison, by family; they add up to 0.05 (custom). Most for pins, which are most.
ERRORS = {
    "asked": 0.010, "pins": 0.015, "strikers": 0.005, "rates": 0.005, "shafts": 0.005, "microphones": 0.010
}  # fmt: skip
# Of the 12 bands of a sound, as many as vary independently: neighbours vary alike. The distance of two equal sounds is
# a root mean square, its square an F variable; the true distance differs from the measured one by no more than that of
# two equal sounds (triangle inequality).
BANDS_APART = 4
RATES = ("missed", "extra")  # quantities that are shares of strikes
# Half an interval from which on nothing is told of a thing of which nothing was asked: what is noticed after 400 ms
# (Friberg & Sundberg 1995); of the others our own choice.
WIDE = {"s": 0.010, "ratio": 0.05, "dB": 6.0}


def with_verdicts(made: pd.DataFrame) -> pd.DataFrame:
    """Add `change_low`, `change_high` and `verdict` to the things of one comparison.

    Parameters
    ----------
    made : pd.DataFrame
        `before_and_now.COLUMNS`, and `asked`: something was asked of the thing.
    """
    change, se = made["change"].astype(float), made["change_se"].astype(float)
    family = made["family"].where(~made["asked"], "asked")
    n = se.groupby(family).transform("count").clip(lower=1)
    error = family.map(ERRORS) / n
    df = made["df"].astype(float)
    is_sound = made["quantity"].eq("sound")
    far = np.where(is_sound, np.sqrt(stats.f.isf(error, BANDS_APART, BANDS_APART * df)), stats.t.isf(error / 2, df))
    reach = np.where(se > 0, far, np.nan) * se
    made = made.assign(change_low=change - reach, change_high=change + reach)
    return made.assign(verdict=[_verdict(row, half) for row, half in zip(made.itertuples(), reach, strict=True)])


def _verdict(row, half: float) -> str:
    if row.is_new:
        return "new"
    if not row.told or not np.isfinite(half):
        return "cannot be told"
    if row.change_low > row.least or row.change_high < -row.least:
        return _changed(row, half)
    # An interval that holds both no change and the cure of what was asked tells nothing.
    if row.asked:
        cured = -row.before if row.quantity not in RATES else -row.before / 2
        return "cannot be told" if row.change_low <= cured <= row.change_high else "unchanged"
    return "unchanged" if half <= WIDE[row.unit] else "cannot be told"


def _changed(row, half: float) -> str:
    """Return the word for what surely changed; `half`: of its interval, which the change of the distance has too."""
    if row.kind == "microphone":
        return "moved"
    if row.kind == "shaft" and not known(row.before):
        return "new"
    if row.kind == "shaft" and not known(row.after):
        return "mended"
    nearer = abs(row.before) - abs(row.after)
    if row.quantity in RATES:
        return "mended" if nearer > 0 else "worse"
    if not row.out_after and abs(row.after) < abs(row.before) / 2 and (row.out_before or nearer > half):
        return "mended"
    return "worse" if nearer < -half or (row.out_after and nearer <= 0) else "moved"


def known(value) -> bool:
    """Tell whether a number is there."""
    return value is not None and bool(np.isfinite(value))
