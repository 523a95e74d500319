"""Test what the missed strikes of a striker have in common.

One pin; short gaps since its own last strike; company; low speed; or nothing that can be told (at random). Each is
tested against chance, the four together at 5 % (Bonferroni). In music they go together: chords stand in a passage that
is slow, a roll where others fire. So what is named must also show among strikes that are alike in each of the others,
and within passages; where that cannot be told, nothing is named.

A pin that misses in one take misses in the next: not strikes are independent, but pins. The test for gaps, company and
speed is a score test with the pins as clusters (Liang & Zeger 1986, Biometrika 73, 13), on ranks within strata (van
Elteren 1960). A few missed pins can not reach its level, by whatever they have in common.
"""

import numpy as np
import pandas as pd
from scipy import stats

from pipeline.timing.data import strikes
from pipeline.timing.fitting.fit import Fit

FEWEST = 3  # misses below which no pattern is looked for
LEVEL = 0.05
MOSTLY = 0.5  # share of the misses from which they come at one pin
ALIKE_GAP, ALIKE_SPEED = 1.1, 0.005  # ratio and difference within which gaps and speeds are alike


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
    p = stats.hypergeom.sf(below - 1, n, total, places)
    best = int(np.argmin(p))
    return float(gap_s[places[best]]) if p[best] < LEVEL / len(places) else 0.0


def _pattern(rows):
    missed = rows["status"].eq("missed").to_numpy()
    if missed.sum() < FEWEST:
        return ""
    pin = np.unique(rows["pin"], return_inverse=True)[1]
    gap_s, company, speed = (rows[name].to_numpy() for name in ("gap_s", "company", "speed"))
    values = {"short gaps": -gap_s, "company": company, "low speed": -speed}
    alike = {
        "short gaps": np.round(np.log(np.minimum(gap_s, 1e9)) / np.log(ALIKE_GAP)),
        "company": company,
        "low speed": np.round(speed / ALIKE_SPEED),
        "passage": np.unique(rows["passage"].astype(str), return_inverse=True)[1],
    }
    once = np.zeros(len(rows))
    found = {name: _by_chance(values[name], missed, pin, once) for name in values}
    found["one pin"] = _one_pin(missed, pin, gap_s, company)
    for name in sorted(found, key=found.get):
        rivals = [] if name == "one pin" else [one for one in alike if found.get(one, 0.0) < LEVEL and one != name]
        alone = [_by_chance(values[name], missed, pin, alike[rival]) for rival in rivals]
        if max([found[name], *alone]) * len(found) < LEVEL:
            return name
    return "at random"


def _by_chance(values, missed, pin, stratum):
    """Return the chance that the missed have so much greater `values` than the others of their stratum."""
    stratum, n = np.unique(stratum, return_inverse=True, return_counts=True)[1:]
    value = np.unique(values, return_inverse=True)[1]
    rank = stats.rankdata(stratum * len(values) + value) - (np.cumsum(n) - n)[stratum]
    share = np.bincount(stratum, missed) / n
    score = np.bincount(pin, (rank / (n[stratum] + 1) - 0.5) * (missed - share[stratum]))
    spread = np.sqrt((score**2).sum())
    return float(stats.norm.sf(score.sum() / spread)) if spread > 0 else 1.0


def _one_pin(missed, pin, gap_s, company):
    """Return the chance that one pin has so many of the misses; 1 where they do not come mostly there.

    The pin must also miss more than those that are struck as soon or sooner, and those in as much company or more:
    the only one after a short gap is not told from the gap.
    """
    struck, failed = np.bincount(pin), np.bincount(pin, missed).astype(int)
    worst = int(np.argmax(failed))
    if failed[worst] < max(2, MOSTLY * missed.sum()):
        return 1.0
    mine = pin == worst
    harder = gap_s <= ALIKE_GAP * np.median(gap_s[mine]), company >= np.median(company[mine])
    if any(_pin_by_chance(missed[among | mine], mine[among | mine]) >= LEVEL for among in harder):
        return 1.0
    return min(1.0, len(struck) * _pin_by_chance(missed, mine))


def _pin_by_chance(missed, mine):
    """Return the chance of as many misses among `mine` (Fisher's exact test)."""
    return float(stats.hypergeom.sf((missed & mine).sum() - 1, len(missed), missed.sum(), mine.sum()))


def _speed(fitted, rows):
    """Return the relative speed at each note, from the nearest half beats of its line."""
    speed = np.zeros(len(rows))
    for line, grid in fitted.grid.sort_values("u_beat").groupby("line"):
        on = (rows["line"] == line).to_numpy()
        speed[on] = np.interp(rows["u_beat"].to_numpy()[on], grid["u_beat"], grid["speed"])
    return speed
