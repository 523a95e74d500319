"""Compare build days and set-ups, take against take: did the last change help, or was it chance?

Takes are compared, not notes: notes of one take share the crew's mood and are no independent evidence. The variance
between takes is pooled over all groups of the project with two takes or more, so that a day with one take can be
compared too; intervals are Student's t with the pool's degrees of freedom. While there is no pool there is no verdict.
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
CONFIDENCE = 0.95
POWER = 0.8  # of the smallest change that is called detectable (Cohen 1988's usual choice, from memory)
_KEYS = ["arrangement", "build_day", "session", "setup"]


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
        A group that has nothing to be compared with keeps its value, with nulls for the change. The `value` of a spread
        is the geometric mean of the takes; the interval of its `change` holds for the ratio and is scaled by the value
        compared with. The `value` of a rate is that of all takes together; its counts vary between takes as Poisson's
        do, or more (Wedderburn 1974: the pooled quasi-likelihood dispersion, at least 1).
    """
    used = _used(recordings)
    rows = []
    for quantity in QUANTITIES:
        groups, df = _rates(used, RATES[quantity]) if quantity in RATES else _spreads(used, quantity)
        for group, against, other in _pairs(groups, baseline):
            row = {key: group[key] for key in _KEYS} | {"quantity": quantity, "against": against}
            row |= {"n_recordings": group["size"], "value": group["value"], "value_se": group["value_se"]}
            compared = _change_of_rate if quantity in RATES else _change_of_spread
            rows.append(row if other is None else row | compared(group, other, df))
    names = tables.CONTRACTS["trend"].schema.names
    made = pd.DataFrame(rows, columns=[*names, "p"]).reset_index(drop=True)
    made["verdict"] = _verdicts(made)
    return tables.build("trend", {name: _plain(made[name]) for name in names})


def setups(recordings: pa.Table, songs: dict[str, pa.Table], settings: Settings) -> pa.Table:
    """Return what each set-up did, and what is foreseen of those that were only configured.

    A loss of speed by load falls as 1/inertia, so a set-up's loss is foreseen from any other whose inertia is known.
    (Spread and steadiness do not follow from the inertia alone and stay null here.)

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
        rows += [row for row in found if row["n_recordings"] or row["setup"]]
    made = pd.DataFrame(rows, columns=tables.CONTRACTS["setups"].schema.names)
    for _, of_song in made.groupby("arrangement"):
        made.loc[of_song.index, "sag_max_predicted"] = _foreseen_sag(of_song)
    return tables.build("setups", {name: _plain(made[name]) for name in made})


def _used(recordings: pa.Table) -> pd.DataFrame:
    frame = recordings.to_pandas()
    return frame[frame["status"] == "used"]


def _logs(values: pd.Series) -> pd.Series:
    return np.log(values.astype(float).where(values > 0)).dropna()


def _spreads(used: pd.DataFrame, quantity: str) -> tuple[pd.DataFrame, float]:
    """Return each group's mean logarithm with its variance, and the degrees of freedom of the pool."""
    logs = _logs(used[quantity])
    groups = (
        used.loc[logs.index, _KEYS].assign(log=logs).groupby(_KEYS)["log"].agg(["mean", "var", "size"]).reset_index()
    )
    several = groups[groups["size"] > 1]
    df = float((several["size"] - 1).sum())
    pooled = float(((several["size"] - 1) * several["var"]).sum() / df) if df else np.nan
    groups["value"], groups["variance"] = np.exp(groups["mean"]), pooled / groups["size"]
    if f"{quantity}_se" in used:
        # One fit stands behind all takes of a group: its error does not show between them and does not average out.
        error = used.loc[logs.index, [*_KEYS, f"{quantity}_se"]].groupby(_KEYS)[f"{quantity}_se"].mean().reset_index()
        groups["variance"] += (error[f"{quantity}_se"].fillna(0.0).astype(float) / groups["value"]) ** 2
    return groups.assign(value_se=groups["value"] * np.sqrt(groups["variance"])), df


def _rates(used: pd.DataFrame, count: str) -> tuple[pd.DataFrame, float]:
    """Return each group's rate with its variance, and the degrees of freedom of the pool."""
    used = used[used["n_notes"] > 0]
    summed = used.groupby(_KEYS).agg(n=(count, "sum"), notes=("n_notes", "sum"), size=("n_notes", "size")).reset_index()
    takes = used.merge(summed, on=_KEYS)
    expected = takes["n"] / takes["notes"] * takes["n_notes"]
    df = float((summed["size"] - 1).sum())
    misfit = ((takes[count] - expected) ** 2 / expected)[expected > 0].sum()
    dispersion = max(1.0, misfit / df) if df else np.nan
    summed["value"] = summed["n"] / summed["notes"]
    # Half a strike more, so that a group without any is not taken for certain.
    summed["variance"] = dispersion * (summed["n"] + 0.5) / summed["notes"] ** 2
    return summed.assign(value_se=np.sqrt(summed["variance"])), df


def _pairs(groups: pd.DataFrame, baseline):
    """Yield (group, against, the group compared with or None); by build day, then session, then set-up."""
    for _, of_song in groups.sort_values(_KEYS).groupby("arrangement", sort=True):
        of_song = of_song.reset_index(drop=True)
        for at, group in of_song.iterrows():
            yield group, "previous", of_song.iloc[at - 1] if at else None
            yield group, "first", of_song.iloc[0] if at else None
            if baseline is not None:
                days = of_song[of_song["build_day"] == baseline]
                same = group["build_day"] == baseline or not len(days)
                yield group, "baseline", None if same else days.iloc[-1]


def _change_of_spread(group, other, df: float) -> dict:
    ratio, reference = np.log(group["value"] / other["value"]), other["value"]
    row = {"change": group["value"] - reference, "df": df or np.nan}
    if not df:
        return row
    reach, seen, p = _reach(ratio, group["variance"] + other["variance"], df)
    low, high = reference * np.expm1(ratio - reach), reference * np.expm1(ratio + reach)
    # An improvement of a spread can be no more than all of it: the smallest that would be seen, downwards.
    return row | {"change_low": low, "change_high": high, "detectable": -reference * np.expm1(-seen), "p": p}


def _change_of_rate(group, other, df: float) -> dict:
    change = group["value"] - other["value"]
    row = {"change": change, "df": df or np.nan}
    if not df:
        return row
    reach, seen, p = _reach(change, group["variance"] + other["variance"], df)
    return row | {"change_low": change - reach, "change_high": change + reach, "detectable": seen, "p": p}


def _reach(change: float, variance: float, df: float) -> tuple[float, float, float]:
    """Return half the interval, the smallest change that would be seen, and Student's p."""
    se = np.sqrt(variance)
    reach = stats.t.ppf(0.5 + CONFIDENCE / 2, df) * se
    p = 2 * stats.t.sf(abs(change) / se, df) if se > 0 else float(change == 0)
    return reach, reach + stats.t.ppf(POWER, df) * se, p


def _verdicts(made: pd.DataFrame) -> list[str]:
    """Judge the quantities of one comparison together (Holm 1979), so that seven looks are not seven chances."""
    verdicts = pd.Series("", index=made.index)
    for _, one in made[made["p"].notna()].groupby([*_KEYS, "against"]):
        ranked = one.sort_values("p", kind="stable")
        factors = np.arange(len(ranked), 0, -1)
        adjusted = np.maximum.accumulate(np.minimum(1.0, factors * ranked["p"].to_numpy()))
        sure = adjusted < 1 - CONFIDENCE
        words = np.where(sure, np.where(ranked["change"] < 0, "better", "worse"), "no clear change")
        verdicts[ranked.index] = words
    return list(verdicts)


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
        row["rim_m_per_s"] = flywheel.rim_m_per_s(diameter_mm, barrel_hz * flywheel.ratio(machine))
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


def _foreseen_sag(of_song: pd.DataFrame) -> pd.Series:
    known = of_song[of_song["sag_max"].notna() & of_song["inertia_at_barrel_kg_m2"].notna()]
    foreseen = pd.Series(np.nan, index=of_song.index)
    for at, row in of_song.iterrows():
        others = known[known["setup"] != row["setup"]]
        torque = others["sag_max"] * others["inertia_at_barrel_kg_m2"]
        weight = others["n_recordings"]
        if len(others):
            foreseen[at] = (torque * weight).sum() / weight.sum() / row["inertia_at_barrel_kg_m2"]
    return foreseen


def _plain(column: pd.Series) -> list:
    """Return a column as a list with None where nothing is known: pyarrow takes that for every type."""
    return [None if value is None or value is pd.NaT or value != value else value for value in column]
