"""Make the table 'setups': what each set-up did, and what is foreseen of it from the takes of another.

In: recordings, strikers, the table 'inertia', notes, the machine in each set-up. Out: one row a set-up, and one for the
machine as it is now with one more wheel like its own: inertia, energy, rim speed, measured and predicted quantities.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import flywheel, tables
from pipeline.settings import Machine, Settings
from pipeline.trend import added_mass, foreseen, group_values, sag_law
from pipeline.trend.group_values import KEYS
from pipeline.trend.intervals import CONFIDENCE, NORMAL

# Columns of a quantity of `foreseen`: measured, predicted, low and high end.
COLUMNS = {
    name: tuple(f"{stem}{part}{unit}" for part in ("", "_predicted", "_low", "_high"))
    for name, stem, unit in (
        ("felt_sd_s", "felt_sd", "_s"),
        ("steady_1", "steady_1", ""),
        ("steady_4", "steady_4", ""),
        ("sag_max", "sag_max", ""),
        ("click_sd_s", "click_sd", "_s"),
    )
}
UNTESTED = {"agrees": "", "differs": [], "differs_low": [], "differs_high": []}
ENDS = (("", "value"), ("_low", "low"), ("_high", "high"))  # of columns, and of what is measured


def setups(
    recordings: pa.Table, strikers: pa.Table, inertia: pa.Table, songs: dict[str, pa.Table], settings: Settings
) -> pa.Table:
    """Return what each set-up did, and what is foreseen of it from the newest takes of another.

    Parameters
    ----------
    recordings, strikers, inertia : pa.Table
        Contracts of these names.
    songs : dict of str to pa.Table
        Contract 'notes', of each arrangement: how far the barrel turns in a beat.
    settings : Settings

    Returns
    -------
    pa.Table
        Contract 'setups'.
    """
    used, moved, loads = group_values.used_takes(recordings), inertia.to_pandas(), strikers.to_pandas()
    rows = []
    for arrangement in sorted(used["arrangement"].unique()):
        takes = used[used["arrangement"] == arrangement].merge(_own_spreads(moved), on="recording", how="left")
        found = _of_arrangement(takes, moved[moved["arrangement"] == arrangement], songs[arrangement], settings)
        rows += _with_measured_inertia(found, loads[loads["arrangement"] == arrangement], takes, settings)
    made = pd.DataFrame(rows, columns=tables.CONTRACTS["setups"].schema.names)
    return tables.build("setups", {name: made[name].to_list() for name in made})


def _own_spreads(moved) -> pd.DataFrame:
    """Return what only the table 'inertia' tells of each take as it was played."""
    return moved.loc[moved["inertia_ratio"] == 1.0, ["recording", "click_sd_s", "speed_sd_s", "mechanism_sd_s"]]


def _of_arrangement(takes, moved, song, settings) -> list[dict]:
    names = sorted({"", *(name for name, _ in settings.setups), *takes["setup"]})
    turns_per_beat = _turns_per_beat(song)
    rows = [_of_setup(takes, name, settings.machine_of(name), turns_per_beat) for name in names]
    # The machine without a set-up gets a row only if it was recorded so.
    rows = [row for row in rows if row["n_recordings"] or row["setup"]]
    rows = sag_law.with_law(rows, group_values.spreads(takes, "sag_max")[0])
    known = {row["setup"]: row.get("inertia_at_barrel_kg_m2", np.nan) for row in rows}
    now = max(takes[KEYS].itertuples(index=False, name=None))[KEYS.index("setup")]
    newest = sorted(moved[KEYS].itertuples(index=False, name=None))[::-1]
    more = _one_more(takes, now, settings.machine_of(now), turns_per_beat)
    made = []
    for row in [*rows, *([more | {"sag_law": rows[0]["sag_law"]}] if more else [])]:
        others = [key for key in newest if row["more_wheels"] or key[KEYS.index("setup")] != row["setup"]]
        ratio = pd.Series({name: row.get("inertia_at_barrel_kg_m2", np.nan) / one for name, one in known.items()})
        made.append(row | (_foreseen(row, moved, ratio, others[0]) if others else {}))
    return [row for row in made if not row["more_wheels"] or any(row.get(one[1]) for one in COLUMNS.values())]


def _with_measured_inertia(rows, strikers, takes, settings) -> list[dict]:
    """Add the inertia that two set-ups with a known added mass tell, for all set-ups behind the same pulleys."""
    machines = {row["setup"]: settings.machine_of(row["setup"]) for row in rows}
    found = added_mass.measured(strikers, takes, machines)
    if found is None:
        return rows
    told = {row["setup"]: row["inertia_at_barrel_kg_m2"] for row in rows if not row["more_wheels"]}
    made = []
    for row in rows:
        if flywheel.ratio(machines[row["setup"]]) == flywheel.ratio(machines[found.setup]):
            more = row.get("inertia_at_barrel_kg_m2", np.nan) - told[found.setup]
            row = row | {f"inertia_measured{end}_kg_m2": getattr(found, of) + more for end, of in ENDS}
        made.append(row)
    return made


def _of_setup(used: pd.DataFrame, setup: str, machine: Machine, turns_per_beat: float) -> dict:
    """Return the row of one set-up, without errors and predictions."""
    takes = used[used["setup"] == setup]
    row = {"arrangement": used["arrangement"].iloc[0], "setup": setup, "more_wheels": 0, "n_recordings": len(takes)}
    row |= UNTESTED
    for name in (*(columns[0] for columns in COLUMNS.values()), "speed_sd_s", "mechanism_sd_s"):
        logs = group_values.logarithms(takes[name])
        row[name] = float(np.exp(logs.mean())) if len(logs) else np.nan
    # Energy and rim speed of a set-up that was never played are given at the mean tempo of all takes.
    tempo_bpm = (takes if len(takes) else used)["tempo_bpm"].mean()
    return row | _stored(machine, tempo_bpm / 60 * turns_per_beat)


def _stored(machine, barrel_hz) -> dict:
    """Return inertia, energy and rim speed, as far as the configuration tells them."""
    row = {}
    inertia = flywheel.inertia_at_barrel_kg_m2(machine)
    if inertia is not None:
        row |= {"inertia_at_barrel_kg_m2": inertia, "energy_j": flywheel.energy_j(inertia, barrel_hz)}
    if diameter_mm := _rim_mm(machine):
        row["rim_m_per_s"] = flywheel.surface_mm_per_s(diameter_mm, barrel_hz * flywheel.ratio(machine)) / 1000
    return row


def _one_more(used, setup, machine, turns_per_beat) -> dict | None:
    """Return the row of the machine in this set-up with one more wheel like its own; None where it has none."""
    more = flywheel.with_one_more(machine.flywheel) if machine.flywheel else None
    if more is None:
        return None
    tempo_bpm = used.loc[used["setup"] == setup, "tempo_bpm"].mean()
    row = {"arrangement": used["arrangement"].iloc[0], "setup": setup, "more_wheels": 1, "n_recordings": 0}
    row |= UNTESTED
    return row | _stored(replace(machine, flywheel=more), tempo_bpm / 60 * turns_per_beat)


def _foreseen(row, moved, ratio, source) -> dict:
    """Return what is foreseen of a set-up from the takes of the group `source`, and whether its own takes say so."""
    groups = foreseen.groups_of(moved, ratio, source)
    found = foreseen.foreseen(groups)
    told = {"predicted_from": source[KEYS.index("setup")], "predicted_from_day": source[KEYS.index("build_day")]}
    for name, columns in COLUMNS.items():
        if name in found:
            one = found[name]
            told |= dict(zip(columns[1:], (one.value, one.low, one.high), strict=True))
    if "sag_max" in found:
        one = found["sag_max"]
        # So that ±1.96 of it is the interval of Student's t.
        told["sag_max_predicted_se"] = one.value * np.log(one.high / one.value) / NORMAL
    for name in (foreseen.SPEED, foreseen.MECHANISM):
        if name in found:
            told[name.replace("_sd_s", "_predicted_s")] = found[name].value
    return told | (_compared(row, groups) if found else {})


def _compared(row, groups) -> dict:
    """Return which quantities were measured outside of what was foreseen; all of a set-up's are tested at once.

    The felt spread is tested by the part that inertia acts on: the mechanism may have been mended between the takes.
    """
    tested = {foreseen.SPEED if name == foreseen.FELT else name: name for name in COLUMNS}
    measured = {by: row[by] for by in tested if row.get(by, np.nan) > 0}
    chance = (1 - CONFIDENCE) / max(1, len(measured))  # Bonferroni's inequality, as in `intervals`
    outside = foreseen.differs(groups, measured, chance)
    still = {foreseen.MECHANISM: row["mechanism_sd_s"]} if row.get("mechanism_sd_s", np.nan) > 0 else {}
    mended = bool(foreseen.differs(groups, still, 1 - CONFIDENCE)) if still else None
    word = ("differs" if outside else "agrees") if measured else ""
    ends = {f"differs_{end}": [getattr(one, end) for one in outside.values()] for end in ("low", "high")}
    return {"agrees": word, "differs": [tested[by] for by in outside], "mechanism_changed": mended} | ends


def _rim_mm(machine: Machine) -> float:
    """Return the diameter of the largest rim on the flywheel's shaft (mm); 0 if the configuration gives none."""
    if machine.flywheel is None:
        return 0.0
    return max([machine.flywheel.diameter_mm or 0.0, *(wheel.outer_mm for wheel in machine.flywheel.wheels)])


def _turns_per_beat(song: pa.Table) -> float:
    """Return the turns of the barrel per quarter note; NaN for a song of fewer than two onsets."""
    beat, turn = song["score_beat"].to_numpy(), song["barrel_turn"].to_numpy()
    return (turn[-1] - turn[0]) / (beat[-1] - beat[0]) if len(song) and beat[-1] > beat[0] else np.nan
