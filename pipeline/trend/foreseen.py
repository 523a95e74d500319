"""Foresee what a set-up does from the takes of another, each quantity with its interval.

In: the table 'inertia' (every take at other inertias), the inertia of each set-up. Out: predicted quantities of one
set-up with 95 % intervals.

All takes of an arrangement are brought to the inertia that is asked for. What is then left between the takes of a group
is chance; what is left between groups is what days, crews and the method itself add (moments: DerSimonian & Laird 1986,
Control. Clin. Trials 7, 177; from memory). The interval is for as many takes on another day. The mechanism is taken as
it is in the newest takes: pins and strikers are mended between days, and that is no chance.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import interpolate, stats

from pipeline.trend import group_values
from pipeline.trend.group_values import KEYS
from pipeline.trend.intervals import CONFIDENCE

SPEED, MECHANISM, FELT = "speed_sd_s", "mechanism_sd_s", "felt_sd_s"
# What the method itself is off by, per doubling of the inertia: standard deviation of the logarithm, for all but the
# mechanism. On simulated machines 0.04 to 0.05 (tests/benchmarks/what_if.py, seeds 100 to 102 and 400 to 402).
METHOD_LOG_SD = 0.05
ROUNDING = 1e-9  # of a logarithm of two inertias
QUANTITIES = (FELT, "steady_1", "steady_4", "sag_max", "click_sd_s")


@dataclass(frozen=True)
class Foreseen:
    """One quantity of a set-up: the predicted value and the ends of its interval for as many takes on another day."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class _Errors:
    """Variances of a logarithm, and the degrees of freedom of each."""

    variance: np.ndarray
    df: np.ndarray

    def times(self, share: float) -> "_Errors":
        return _Errors(self.variance * share**2, self.df)

    def around(self, value: float, confidence: float = CONFIDENCE) -> Foreseen:
        """Return the prediction, its degrees of freedom by Welch and Satterthwaite (from memory)."""
        variance = self.variance.sum()
        df = variance**2 / (self.variance**2 / self.df).sum() if variance > 0 else np.inf
        reach = float(stats.t.ppf(0.5 + confidence / 2, df) * np.sqrt(variance))
        return Foreseen(value, value * np.exp(-reach), value * np.exp(reach))


@dataclass(frozen=True)
class Groups:
    """One quantity of all groups at the inertia that is asked for.

    Parameters
    ----------
    rows : pd.DataFrame
        `group_values.spreads`.
    df : float
        Degrees of freedom of the variance between takes.
    own : np.ndarray of bool, shape=(n_groups,)
        Which of them is the group that it is foreseen from.
    method_log_sd : float
        What the method is off by.
    """

    rows: pd.DataFrame
    df: float
    own: np.ndarray
    method_log_sd: float

    @property
    def value(self) -> float:
        return float(self.rows.loc[self.own, "value"].iloc[0])


def groups_of(takes: pd.DataFrame, ratio: pd.Series, source: tuple) -> dict[str, Groups]:
    """Bring the takes to the inertia that is asked for; a quantity is left out where nothing of it can be foreseen.

    Parameters
    ----------
    takes : pd.DataFrame
        Rows of the contract 'inertia', of one arrangement.
    ratio : pd.Series
        By set-up: the inertia that is asked for over that of the set-up; NaN where it is not known.
    source : tuple
        The group (KEYS) whose takes it is foreseen from.
    """
    found = {}
    for name in (SPEED, MECHANISM, *QUANTITIES):
        rows, df = group_values.spreads(_at(takes, ratio, name), name)
        own = np.array([tuple(row) == source for row in rows[KEYS].itertuples(index=False)], dtype=bool)
        if own.any() and np.isfinite(df):
            doublings = abs(np.log2(ratio[source[KEYS.index("setup")]]))
            found[name] = Groups(rows, df, own, 0.0 if name == MECHANISM else METHOD_LOG_SD * doublings)
    return found


def foreseen(groups: dict[str, Groups]) -> dict[str, Foreseen]:
    """Return what is foreseen, by quantity."""
    errors = {
        name: _errors(one, None if name == MECHANISM else np.zeros(len(one.rows))) for name, one in groups.items()
    }
    if {SPEED, MECHANISM, FELT} <= set(groups):
        # The parts add up in squares, so their errors count by their squares' shares.
        felt = groups[FELT].value
        parts = [errors[name].times(groups[name].value ** 2 / felt**2) for name in (SPEED, MECHANISM)]
        errors[FELT] = _Errors(*(np.concatenate([getattr(one, of) for one in parts]) for of in ("variance", "df")))
    return {name: errors[name].around(one.value) for name, one in groups.items()}


def differs(groups: dict[str, Groups], measured: dict[str, float], chance: float) -> dict[str, Foreseen]:
    """Return what was foreseen of those quantities that lie outside of it, each with the false alarms `chance`.

    What days add is told by days of one set-up alone: whether set-ups, brought to one inertia, differ is the question.
    """
    found = {}
    for name, value in measured.items():
        if name in groups:
            one = groups[name]
            errors = _errors(one, None if name == MECHANISM else one.rows["setup"].to_numpy())
            within = errors.around(one.value, 1 - chance)
            if not within.low <= value <= within.high:
                found[name] = within
    return found


def _at(takes, ratio, name) -> pd.DataFrame:
    """Return one row a take: a quantity and its standard error at the inertia wanted; none beyond what was computed."""
    parts, error = [], f"{name}_se" if f"{name}_se" in takes else None
    for setup, rows in takes.groupby("setup"):
        at = np.log(ratio.get(setup, np.nan))
        values = rows.pivot(index="recording", columns="inertia_ratio", values=name).astype(float)
        values = values[(values > 0).all(axis=1)]
        x = np.log(values.columns.to_numpy(dtype=float))
        if not len(values) or not x[0] - ROUNDING <= at <= x[-1] + ROUNDING:
            continue
        made = rows.drop_duplicates("recording").set_index("recording").loc[values.index, KEYS].reset_index()
        made[name] = np.exp(interpolate.PchipInterpolator(x, np.log(values), axis=1)(at))
        if error:
            se = rows.pivot(index="recording", columns="inertia_ratio", values=error).astype(float).loc[values.index]
            share = (se.fillna(0.0) / values).to_numpy()
            made[error] = made[name] * [float(np.interp(at, x, one)) for one in share]
        parts.append(made)
    columns = [*KEYS, name, *([error] if error else [])]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _errors(groups: Groups, alike) -> _Errors:
    """Return the errors of a group's mean on another day.

    `alike` labels the groups that but for chance and their days are one; None: days add nothing.
    """
    rows = groups.rows
    variance, of_takes = rows["variance"].to_numpy(), rows["of_takes"].to_numpy()
    own, mine = variance[groups.own][0], of_takes[groups.own][0]
    # What is not known of the drive, and the method; these takes and as many others.
    known, freedom = [own - mine + groups.method_log_sd**2, 2 * mine], [np.inf, groups.df]
    if alike is not None and (n := len(rows) - len(np.unique(alike))):
        known, freedom = [*known, 2 * _between(rows["mean"].to_numpy(), variance, alike)], [*freedom, n]
    return _Errors(np.array(known), np.array(freedom, dtype=float))


def _between(mean, variance, alike) -> float:
    """Return the variance between groups of one label beyond their own variances."""
    misfit, freedom, size = 0.0, 0.0, 0.0
    for label in np.unique(alike):
        weight, one = 1 / variance[alike == label], mean[alike == label]
        misfit += float((weight * (one - np.average(one, weights=weight)) ** 2).sum())
        freedom += len(one) - 1
        size += float(weight.sum() - (weight**2).sum() / weight.sum())
    return max(0.0, (misfit - freedom) / size) if size > 0 else 0.0
