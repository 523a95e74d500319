"""Compare build days and set-ups, take against take: did the last change help, or was it chance?

Takes are compared, not notes: notes of one take share the crew's mood and are no independent evidence. The variance
between takes is pooled over all groups of an arrangement with two takes or more, so that a day with one take can be
compared too; intervals are Student's t with the pool's degrees of freedom. While there is no pool there is no verdict.
(Takes of a clock test and of a song do not differ alike: the one's tell nothing of the other's.)

All quantities of one comparison are looked at together, and one of seven would be called changed by chance too often:
each interval is so wide that all of them hold the truth at once in 95 of 100 comparisons (Bonferroni's inequality, Dunn
1961, J. Am. Stat. Assoc. 56). A quantity is better or worse exactly where that interval leaves 0 out.
"""

import numpy as np
import pandas as pd
import pyarrow as pa
from scipy import stats

from pipeline import flywheel, tables
from pipeline.settings import Machine, Settings

# All are spreads, losses or rates: less is better. What multiplies a spread or loss adds in its logarithm.
SPREADS = ("felt_sd_s", "together_s", "steady_1", "steady_4", "sag_max")
RATES = {"missed": "n_missed", "extra": "n_extra"}  # of the notes that could have been heard
QUANTITIES = (*SPREADS, *RATES)
CONFIDENCE = 0.95  # of all intervals of a comparison together, and that a change called detectable would be seen
NORMAL = stats.norm.ppf(0.5 + CONFIDENCE / 2)  # standard errors that a reader takes for half an interval
_KEYS = list(tables.GROUP_KEYS)  # a list: pandas takes a tuple for one name


def trend(recordings: pa.Table, baseline) -> pa.Table:
    """Compare each group with the one before, the first and the baseline.

    Parameters
    ----------
    recordings : table of the contract 'recordings'
    baseline : date or None
        Build day to compare with besides.

    Returns
    -------
    table of the contract 'trend'
        A group that has nothing to be compared with keeps its value, with nulls for the change; so does a quantity that
        is not known of the group to compare with: it is never compared with an older one instead. The `value` of a
        spread is the geometric mean of the takes; the interval of its `change` holds for the ratio and is scaled by the
        value compared with. The `value` of a rate is that of all takes together; its counts vary between takes as
        Poisson's do, or more (Wedderburn 1974: the pooled quasi-likelihood dispersion, at least 1).
    """
    used = _used(recordings)
    rows = []
    for _, of_song in used.groupby("arrangement"):
        pairs = list(_pairs(of_song[_KEYS].drop_duplicates(), baseline))
        for quantity in QUANTITIES:
            groups, df = _rates(of_song, RATES[quantity]) if quantity in RATES else _spreads(of_song, quantity)
            known = {tuple(group[key] for key in _KEYS): group for _, group in groups.iterrows()}
            for at, against, other_at in pairs:
                if at in known:
                    row = dict(zip(_KEYS, at, strict=True)) | {"quantity": quantity, "against": against, "df": df}
                    rows.append(row | _compared(known[at], known.get(other_at), quantity in SPREADS))
    names = tables.CONTRACTS["trend"].schema.names
    made = _with_intervals(pd.DataFrame(rows, columns=[*names, "reference", "estimate", "se"]).reset_index(drop=True))
    return tables.build("trend", {name: _plain(made[name]) for name in names})


def setups(recordings: pa.Table, songs: dict[str, pa.Table], settings: Settings) -> pa.Table:
    """Return what each set-up did, and what is foreseen of those that were only configured.

    What a strike takes from the speed falls as 1/inertia; the loss over a long loaded passage need not: it ends where
    the crew's push balances the strikes, whatever turns with it. So the law is tried on the set-ups that were measured
    (`sag_law`), and a loss is foreseen only where it holds. (Spread and steadiness do not follow from the inertia alone
    and stay null here.)

    Parameters
    ----------
    recordings : table of the contract 'recordings'
    songs : dict of arrangement to table of the contract 'notes'
        They tell how far the barrel turns in a beat.
    settings : Settings

    Returns
    -------
    table of the contract 'setups'
    """
    used = _used(recordings)
    rows = []
    for arrangement in sorted(used["arrangement"].unique()):
        of_song = used[used["arrangement"] == arrangement]
        names = sorted({"", *(name for name, _ in settings.setups), *of_song["setup"]})
        turns_per_beat = _turns_per_beat(songs[arrangement])
        found = [_of_setup(of_song, arrangement, name, settings, turns_per_beat) for name in names]
        # A machine that is always recorded in a named set-up has no measurement without one.
        found = [row for row in found if row["n_recordings"] or row["setup"]]
        rows += _foreseen(found, _spreads(of_song, "sag_max")[0])
    made = pd.DataFrame(rows, columns=tables.CONTRACTS["setups"].schema.names)
    return tables.build("setups", {name: _plain(made[name]) for name in made})


def _used(recordings: pa.Table) -> pd.DataFrame:
    frame = recordings.to_pandas()
    return frame[frame["status"] == "used"]


def _logs(values: pd.Series) -> pd.Series:
    return np.log(values.astype(float).where(values > 0)).dropna()


def _spreads(used: pd.DataFrame, quantity: str) -> tuple[pd.DataFrame, float]:
    """Return each group's mean logarithm with its variance, and the degrees of freedom of the pool (NaN: none)."""
    logs = _logs(used[quantity])
    groups = (
        used.loc[logs.index, _KEYS].assign(log=logs).groupby(_KEYS)["log"].agg(["mean", "var", "size"]).reset_index()
    )
    several = groups[groups["size"] > 1]
    df = float((several["size"] - 1).sum())
    pooled = float(((several["size"] - 1) * several["var"]).sum() / df) if df else 0.0
    # Takes that are alike to the last digit are copies and tell nothing of chance.
    df, pooled = (df, pooled) if pooled > 0 else (np.nan, np.nan)
    groups["value"], groups["variance"] = np.exp(groups["mean"]), pooled / groups["size"]
    if f"{quantity}_se" in used:
        # One fit stands behind all takes of a group: its error does not show between them and does not average out.
        error = used.loc[logs.index, [*_KEYS, f"{quantity}_se"]].groupby(_KEYS)[f"{quantity}_se"].mean().reset_index()
        groups["variance"] += (error[f"{quantity}_se"].fillna(0.0).astype(float) / groups["value"]) ** 2
    return groups.assign(value_se=groups["value"] * np.sqrt(groups["variance"])), df


def _rates(used: pd.DataFrame, count: str) -> tuple[pd.DataFrame, float]:
    """Return each group's rate with its variance, and the degrees of freedom of the pool (NaN: none)."""
    used = used[used["n_notes"] > 0]
    summed = used.groupby(_KEYS).agg(n=(count, "sum"), notes=("n_notes", "sum"), size=("n_notes", "size")).reset_index()
    takes = used.merge(summed, on=_KEYS)
    expected = takes["n"] / takes["notes"] * takes["n_notes"]
    misfit = ((takes[count] - expected) ** 2 / expected)[expected > 0].sum()
    # A group in which nothing was counted shows no dispersion, small or large.
    df = float((summed["size"] - 1)[summed["n"] > 0].sum())
    dispersion = max(1.0, misfit / df) if df else 1.0
    df = df or float((summed["size"] - 1).sum())
    summed["value"] = summed["n"] / summed["notes"]
    # Half a strike more, so that a group without any is not taken for certain.
    summed["variance"] = dispersion * (summed["n"] + 0.5) / summed["notes"] ** 2 if df else np.nan
    return summed.assign(value_se=np.sqrt(summed["variance"])), df or np.nan


def _pairs(groups: pd.DataFrame, baseline):
    """Yield (group, against, the group compared with or None); by build day, then session, then set-up."""
    keys = sorted(groups.itertuples(index=False, name=None))
    for place, group in enumerate(keys):
        yield group, "previous", keys[place - 1] if place else None
        yield group, "first", keys[0] if place else None
        if baseline is not None:
            # The last group of that day, which itself has nothing to be compared with.
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
    return row | {"se": np.sqrt(group["variance"] + other["variance"])}


def _with_intervals(made: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with the simultaneous intervals of each comparison and the verdicts that follow from them.

    A change that is called detectable would have been seen: an interval of this width around it leaves 0 out with
    `CONFIDENCE`, whether it is for the better or the worse. (Of a spread, the worse takes the larger change.)
    """
    estimate, se, reference, df = (made[name].astype(float) for name in ("estimate", "se", "reference", "df"))
    n_looks = se.groupby([made[key] for key in (*_KEYS, "against")]).transform("count").clip(lower=1)
    reach = stats.t.ppf(1 - (1 - CONFIDENCE) / (2 * n_looks), df) * se
    seen = reach + stats.t.ppf(CONFIDENCE, df) * se

    def on_scale(change):
        return (reference * np.expm1(change)).where(reference.notna(), change)

    low, high = on_scale(estimate - reach), on_scale(estimate + reach)
    words = np.select([high < 0, low > 0, se.notna()], ["better", "worse", "no clear change"], "")
    return made.assign(change_low=low, change_high=high, detectable=on_scale(seen), verdict=words)


def _of_setup(used: pd.DataFrame, arrangement: str, setup: str, settings: Settings, turns_per_beat: float) -> dict:
    takes = used[used["setup"] == setup]
    row = {"arrangement": arrangement, "setup": setup, "n_recordings": len(takes)}
    for name in ("sag_max", "felt_sd_s", "steady_1"):
        logs = _logs(takes[name])
        row[name] = float(np.exp(logs.mean())) if len(logs) else np.nan
    machine = settings.machine_of(setup)
    # A set-up that was never played is judged at the tempo of all takes of the arrangement.
    tempo_bpm = (takes if len(takes) else used)["tempo_bpm"].mean()
    barrel_hz = tempo_bpm / 60 * turns_per_beat
    inertia = flywheel.inertia_at_barrel_kg_m2(machine)
    if inertia is not None:
        row |= {"inertia_at_barrel_kg_m2": inertia, "energy_j": flywheel.energy_j(inertia, barrel_hz)}
    if diameter_mm := _rim_mm(machine):
        row["rim_m_per_s"] = flywheel.surface_mm_per_s(diameter_mm, barrel_hz * flywheel.ratio(machine)) / 1000
    return row


def _rim_mm(machine: Machine) -> float:
    """Return the diameter of the largest rim on the flywheel's shaft, 0 when none is told."""
    if machine.flywheel is None:
        return 0.0
    return max([machine.flywheel.diameter_mm or 0.0, *(wheel.outer_mm for wheel in machine.flywheel.wheels)])


def _turns_per_beat(song: pa.Table) -> float:
    """Return how far the barrel turns in a quarter note at the nominal tempo."""
    beat, turn = song["score_beat"].to_numpy(), song["barrel_turn"].to_numpy()
    return (turn[-1] - turn[0]) / (beat[-1] - beat[0]) if len(song) and beat[-1] > beat[0] else np.nan


def _foreseen(rows: list[dict], groups: pd.DataFrame) -> list[dict]:
    """Return the set-ups of an arrangement with the errors of their losses, and what is foreseen where the law holds.

    Parameters
    ----------
    rows : list of dict
        Of `_of_setup`.
    groups : DataFrame
        Of `_spreads`: the mean logarithms of the losses that were measured, with their variances.
    """
    inertia = {row["setup"]: row.get("inertia_at_barrel_kg_m2", np.nan) for row in rows}
    groups = groups.assign(x=np.log(groups["setup"].map(inertia).astype(float)))
    takes_se = groups["size"] ** 2 * groups["variance"]
    groups, df = _between_days(groups)
    law, slope_se = _law(groups.dropna(subset=["x", "variance"]), df)
    wide = stats.t.ppf(0.5 + CONFIDENCE / 2, df) / NORMAL  # so that 1.96 standard errors hold 95 of 100
    made = []
    for row in rows:
        own = groups[groups["setup"] == row["setup"]]
        others = groups[groups["setup"] != row["setup"]].dropna(subset=["x", "variance"])
        row = row | {"sag_law": law}
        if len(own):
            row["sag_max_se"] = row["sag_max"] * np.sqrt(takes_se[own.index].sum(skipna=False)) / own["size"].sum()
        if law == "holds" and len(others) and not np.isnan(inertia[row["setup"]]):
            x, weight = np.log(inertia[row["setup"]]), 1 / others["variance"]
            centre, mean = (np.average(others[name], weights=weight) for name in ("x", "mean"))
            # Of one more build day: from the others' mean by the law, whose slope is as unsure as the set-ups leave it.
            variance = 1 / weight.sum() + (slope_se * (x - centre)) ** 2 + others["variance"].mean()
            row["sag_max_predicted"] = np.exp(mean - (x - centre))
            row["sag_max_predicted_se"] = row["sag_max_predicted"] * wide * np.sqrt(variance)
        made.append(row)
    return made


def _between_days(groups: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    """Return the groups, variances stretched where days of one set-up differ by more, and the degrees of freedom.

    The stretch is Birge's ratio (1932, Phys. Rev. 40): the mean square of the groups' deviations from the mean of their
    set-up, over what takes explain; at least 1. Without a set-up that was played in two groups nothing is known of it:
    NaN, and so is all that would need it.
    """
    df = float(len(groups) - groups["setup"].nunique())
    if not df:
        return groups.assign(variance=np.nan), np.nan
    weight = 1 / groups["variance"]
    centre = (weight * groups["mean"]).groupby(groups["setup"]).transform("sum")
    centre /= weight.groupby(groups["setup"]).transform("sum")
    stretch = max(1.0, float((weight * (groups["mean"] - centre) ** 2).sum() / df))
    return groups.assign(variance=groups["variance"] * stretch), df


def _law(groups: pd.DataFrame, df: float) -> tuple[str, float]:
    """Hold the measured losses against 1/inertia; return the word of `sag_law` and the slope's standard error.

    The slope of log loss over log inertia is −1 by the law. It holds where the interval of the slope has −1 in it and
    not 0: losses that could as well be all the same are no witness.
    """
    if groups["x"].nunique() < 2:
        return "cannot tell", np.nan
    weight = 1 / groups["variance"]
    x = groups["x"] - np.average(groups["x"], weights=weight)
    slope, slope_se = (weight * x * groups["mean"]).sum() / (weight * x**2).sum(), (weight * x**2).sum() ** -0.5
    reach = stats.t.ppf(0.5 + CONFIDENCE / 2, df) * slope_se
    if abs(slope + 1) > reach:
        return "contradicted", slope_se
    return ("holds" if slope < -reach else "cannot tell"), slope_se


def _plain(column: pd.Series) -> list:
    """Return a column as a list with None where nothing is known: pyarrow takes that for every type."""
    return [None if value is None or value is pd.NaT or value != value else value for value in column]
