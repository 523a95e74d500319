"""List the strikers: delay, company, readiness, drag and energy, scatter, levels, misses and their pattern."""

import numpy as np
import pyarrow as pa

from pipeline import flywheel, settings, tables
from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys, levels, misses
from pipeline.timing.tables.pins import turn_per_s

GOOD_GAP_DELAY_S = 0.001  # delay by readiness below which a gap is a good one


def strikers(group: settings.Group, machine: settings.Machine, fitted: Fit, used: list[Take]) -> pa.Table:
    """Return the table 'strikers': every striker of the machine; what cannot be told is null."""
    names, rows = fitted.strikes.striker_names, fitted.strikes.rows
    places = np.arange(len(names))
    columns = group_keys.of_group(group, len(names)) | {"striker": list(names)}
    for name in ("delay", "company", "readiness"):
        columns |= {f"{name}_s": getattr(fitted, name), f"{name}_se": getattr(fitted, f"{name}_se")}
    columns |= {"delay_by_pace_s": fitted.delay_by_pace, "delay_by_pace_se": fitted.delay_by_pace_se}
    columns |= {"drag": fitted.drag, "drag_se": fitted.drag_se, "energy_j": _energy_j(machine, fitted)}
    heard = fitted.hits.groupby("striker")
    played = heard.size().reindex(places).fillna(0).astype(int).to_numpy()
    missed = rows[rows["status"] == "missed"].groupby("striker").size().reindex(places).fillna(0).astype(int)
    struck = misses.gaps(fitted)
    known = np.isfinite(fitted.drag)
    columns |= {
        "recovery_beats": np.where(known, fitted.recovery_beats, np.nan),
        "recovery_se": np.where(known, fitted.recovery_beats * fitted.recovery_log_se, np.nan),
        "rest_sd_s": np.where(played > 1, fitted.scatter_s, np.nan),
        "level_sd_db": heard["level_db"].std().reindex(places).to_numpy(),
        **levels.levels(used, fitted),
        "n_played": played,
        "n_missed": missed.to_numpy(),
        **_extras(fitted.strikes, places),
        "shortest_good_gap_s": [_shortest_good_gap_s(fitted, struck, place) for place in places],
        "miss_pattern": misses.patterns(fitted, struck),
    }
    return tables.build("strikers", columns)


def _extras(strikes, places):
    """Return per striker: double or stray strikes, the rebounds among them, hits of its own sound and their gap."""
    extras, sounds = strikes.extras, strikes.sounds

    def count(numbers):
        return numbers.value_counts().reindex(places).fillna(0).astype(int).to_numpy()

    gap_s = sounds.groupby("sound_of")["sound_gap_s"].agg(lambda gaps: gaps.value_counts().index[0])
    return {
        "n_extra": count(extras["striker"]),
        "n_rebound": count(extras.loc[extras["rebound"], "striker"]),
        "n_sound": count(sounds["sound_of"]),
        "sound_gap_s": gap_s.reindex(places).to_numpy(dtype=float),
    }


def _energy_j(machine, fitted):
    """Return the energy of a strike; NaN when the inertia or the barrel's angles are not told."""
    inertia = flywheel.inertia_at_barrel_kg_m2(machine)
    speed = turn_per_s(fitted)
    if inertia is None or not np.isfinite(speed):
        return np.full(len(fitted.drag), np.nan)
    return np.array([flywheel.strike_energy_j(inertia, speed, drag) for drag in fitted.drag])


def _shortest_good_gap_s(fitted, struck, place):
    """Return the shortest gap that it played, without misses below it and without a delay of 1 ms or more."""
    rows = struck[(struck["striker"] == place) & np.isfinite(struck["gap_s"])]
    played = np.sort(rows.loc[rows["played"], "gap_s"].to_numpy())
    if len(played) == 0:
        return None
    shortest_s = played[0]
    readiness, se = fitted.readiness[place], fitted.readiness_se[place]
    if np.isfinite(readiness) and readiness > max(GOOD_GAP_DELAY_S, 2 * se):
        shortest_s = max(shortest_s, fitted.ready_s * np.log(readiness / GOOD_GAP_DELAY_S))
    limit_s = misses.gap_limit_s(rows["gap_s"].to_numpy(), rows["status"].eq("missed").to_numpy())
    shortest_s = max(shortest_s, limit_s)
    good = played[played >= shortest_s - 1e-9]
    return float(good[0]) if len(good) else None
