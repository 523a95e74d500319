"""Test what the missed strikes of a striker have in common.

One pin; short gaps since its own last strike; company; low speed; or nothing (at random). Each is tested against
chance, the four together at 5 % (Bonferroni).
"""

import numpy as np
import pandas as pd
from scipy import special

from pipeline.timing import strikes
from pipeline.timing.fit import Fit

FEWEST = 3  # misses below which no pattern is looked for
LEVEL = 0.05


def gaps(fitted: Fit) -> pd.DataFrame:
    """Return played and missed notes with `gap_s` and `company` (in mean strikes)."""
    rows = fitted.strikes.rows
    gap_s = strikes.gap_s(fitted.strikes, fitted.line_pace)
    company = strikes.company(fitted.strikes, np.ones(len(fitted.strikes.striker_names)))
    rows = rows.assign(gap_s=gap_s, company=company)
    return rows[rows["status"].isin(["played", "missed"])]


def patterns(fitted: Fit, struck: pd.DataFrame) -> list[str]:
    """Return the pattern of every striker's misses among the notes `struck` (of `gaps`), '' for too few."""
    rows = struck.assign(speed=_speed(fitted, struck))
    return [_pattern(rows[rows["striker"] == place]) for place in range(len(fitted.strikes.striker_names))]


def gap_limit_s(gap_s, missed) -> float:
    """Return the gap below which misses are more frequent than above by more than chance; 0 when there is none."""
    order = np.argsort(gap_s)
    gap_s, missed = np.asarray(gap_s)[order], np.asarray(missed)[order]
    n, total = len(missed), int(missed.sum())
    if total < FEWEST or total == n:
        return 0.0
    places = np.flatnonzero(np.diff(gap_s) > 1e-6) + 1
    if len(places) == 0:
        return 0.0
    below = np.cumsum(missed)[places - 1]
    p = np.array([_at_least(k, total, m, n) for k, m in zip(below, places, strict=True)])
    best = int(np.argmin(p))
    return float(gap_s[places[best]]) if p[best] < LEVEL / len(places) else 0.0


def _pattern(rows):
    missed = rows["status"].eq("missed").to_numpy()
    total, n = int(missed.sum()), len(missed)
    if total < FEWEST:
        return ""
    if total == n:
        return "at random"
    pin = rows["pin"].to_numpy()
    ids, place = np.unique(pin, return_inverse=True)
    struck, failed = np.bincount(place), np.bincount(place, missed).astype(int)
    often = failed >= 2
    p_pin = min((_at_least(f, total, s, n) for f, s in zip(failed[often], struck[often], strict=True)), default=1.0)
    found = {
        "one pin": min(1.0, p_pin * len(ids)),
        "short gaps": _rank_p(-np.nan_to_num(rows["gap_s"].to_numpy(), posinf=1e9), missed),
        "company": _rank_p(rows["company"].to_numpy(), missed),
        "low speed": _rank_p(-rows["speed"].to_numpy(), missed),
    }
    name = min(found, key=found.get)
    return name if found[name] * len(found) < LEVEL else "at random"


def _at_least(k, total, m, n):
    """Return the chance of `k` or more of `total` misses among `m` of `n` strikes (hypergeometric)."""
    some = np.arange(k, min(total, m) + 1)
    log = _log_choose(m, some) + _log_choose(n - m, total - some) - _log_choose(n, total)
    return float(np.exp(log[total - some <= n - m]).sum())


def _log_choose(n, k):
    k = np.asarray(k, dtype=float)
    return special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(np.maximum(n - k, 0) + 1)


def _rank_p(values, missed):
    """Return the one-sided p of the missed having greater `values` (Mann & Whitney 1947, normal, ties corrected)."""
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    rank = (np.cumsum(count) - (count - 1) / 2)[place]
    a, n = int(missed.sum()), len(missed)
    spread = a * (n - a) / 12 * ((n + 1) - (count**3 - count).sum() / (n * (n - 1)))
    if spread <= 0:
        return 1.0
    z = (rank[missed].sum() - a * (n + 1) / 2 - 0.5) / np.sqrt(spread)
    return float(special.ndtr(-z))


def _speed(fitted, rows):
    """Return the relative speed at each note, from the nearest half beats of its line."""
    speed = np.zeros(len(rows))
    for line, grid in fitted.grid.sort_values("u_beat").groupby("line"):
        on = (rows["line"] == line).to_numpy()
        speed[on] = np.interp(rows["u_beat"].to_numpy()[on], grid["u_beat"], grid["speed"])
    return speed
