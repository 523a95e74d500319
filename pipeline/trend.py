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

# All are spreads, rates or losses: less is better, and what multiplies them adds in the logarithm.
QUANTITIES = ("felt_sd_s", "together_s", "steady_1", "steady_4", "sag_max", "missed", "extra")
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
        A group that has nothing to be compared with keeps its value, with nulls for the change. `value` is the
        geometric mean of the takes; the interval of `change` holds for the ratio and is scaled by the value compared
        with.
    """
    takes = _logs(recordings)
    rows = []
    for quantity in QUANTITIES:
        table = takes[[*_KEYS, "recording", quantity]].dropna(subset=quantity)
        rows += _of_quantity(table.rename(columns={quantity: "log"}), quantity, baseline)
    names = tables.CONTRACTS["trend"].schema.names
    made = pd.DataFrame(rows, columns=[*names, "p"])
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
    used = _logs(recordings)
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


def _logs(recordings: pa.Table) -> pd.DataFrame:
    """Return the used recordings with the logarithm of each quantity (half a strike added to rates, so 0 has one)."""
    frame = recordings.to_pandas()
    frame = frame[frame["status"] == "used"].copy()
    frame["missed"] = (frame["n_missed"] + 0.5) / (frame["n_notes"] + 1)
    frame["extra"] = (frame["n_extra"] + 0.5) / (frame["n_notes"] + 1)
    for quantity in QUANTITIES:
        value = frame[quantity].astype(float)
        frame[quantity] = np.log(value.where(value > 0))
    return frame


def _of_quantity(table: pd.DataFrame, quantity: str, baseline) -> list[dict]:
    groups = table.groupby(_KEYS, sort=True)["log"].agg(["mean", "var", "size"]).reset_index()
    several = groups[groups["size"] > 1]
    df = float((several["size"] - 1).sum())
    variance = float(((several["size"] - 1) * several["var"]).sum() / df) if df else np.nan
    rows = []
    for _, of_song in groups.groupby("arrangement", sort=True):
        # Sorted by the keys: build day, then session, then set-up.
        of_song = of_song.reset_index(drop=True)
        for at, group in of_song.iterrows():
            others = {"previous": of_song.iloc[at - 1] if at else None, "first": of_song.iloc[0] if at else None}
            if baseline is not None:
                days = of_song[of_song["build_day"] == baseline]
                same = group["build_day"] == baseline or not len(days)
                others["baseline"] = None if same else days.iloc[-1]
            for against, other in others.items():
                rows.append(_row(group, other, variance, df) | {"quantity": quantity, "against": against})
    return rows


def _row(group, other, variance: float, df: float) -> dict:
    value = float(np.exp(group["mean"]))
    row = {key: group[key] for key in _KEYS} | {"n_recordings": group["size"], "value": value}
    row["value_se"] = value * np.sqrt(variance / group["size"])
    if other is None:
        return row
    reference, ratio = float(np.exp(other["mean"])), group["mean"] - other["mean"]
    row |= {"change": value - reference, "df": df or np.nan}
    if not df:
        return row
    se = np.sqrt(variance * (1 / group["size"] + 1 / other["size"]))
    reach = stats.t.ppf(0.5 + CONFIDENCE / 2, df) * se
    seen = reach + stats.t.ppf(POWER, df) * se
    return row | {
        "change_low": reference * np.expm1(ratio - reach),
        "change_high": reference * np.expm1(ratio + reach),
        "detectable": reference * np.expm1(seen),
        "p": 2 * stats.t.sf(abs(ratio) / se, df) if se > 0 else float(ratio == 0),
    }


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
        logs = takes[name].dropna()
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
