"""Tell what the takes would have been with another inertia at the barrel: same crew, same strikes, same mechanism.

The uneven torque is what the speed did, turned back into torque: it is not drawn again. With x the lateness by crew and
load and y that on an inertia κ times as large (`model.drive` has the signs),

    κ y'' + y'/τ + k y = x'' + x'/τ + k x,

both from the speed at which the takes begin. So fast changes fall as 1/κ; slow ones, which friction and the crew's own
correction hold, hardly at all. Wobbles of a shaft that drives by a freewheel are torque, too (pedals, a crank). Delays,
pins, wobbles of belts and scatter stay, whatever the inertia.

Three takes of each of 18 simulated machines foresaw the same crew on 4 times the inertia: the loss of speed within 20 %
of the truth in 17, the felt spread within 25 % in 18, of 6 crews with a click the distance from it within its interval
in 6 (tests/benchmarks/what_if.py: demo, free and model, 6 machines each from seed 7300).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline import felt, settings, tables
from pipeline.timing.data.score import GRID_BEAT
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.model.drive import Course, Drive, drive_of, filtered
from pipeline.timing.tables import group_keys, recordings
from pipeline.timing.tables.click import Click
from pipeline.timing.tables.lateness import PARTS

# Inertia at the barrel over that of the takes. Values between are interpolated in logarithms, none is told beyond.
RATIOS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
STEP_BEAT = 0.125  # of the integration; double: less than 0.001 of what is foreseen


@dataclass(frozen=True, eq=False)
class Changes:
    """By how much later everything comes with other inertias; a case is a ratio of inertias and a drive.

    Parameters
    ----------
    hit_s : np.ndarray, shape=(n_hits, n_cases)
    grid_s : np.ndarray, shape=(n_grid_rows, n_cases)
        At the rows of `Fit.grid`, wobbles apart.
    speed_s : np.ndarray, shape=(n_hits,)
        What inertia acts on of the present lateness: crew, load, pedals.
    """

    hit_s: np.ndarray
    grid_s: np.ndarray
    speed_s: np.ndarray


def inertia(
    group: settings.Group, machine: settings.Machine, fitted: Fit, late: pd.DataFrame, clicks: list[Click | None]
) -> pa.Table:
    """Return the table 'inertia': every take as it was (`inertia_ratio` 1) and with other inertias.

    Parameters
    ----------
    machine : Machine
        In the group's set-up.
    late : pd.DataFrame
        `lateness.rows` of the fit.
    clicks : list of Click or None
        Of each take.
    """
    drive = drive_of_fit(fitted)
    if drive is None:
        return tables.empty("inertia")
    drives = [drive, *drive.doubted()]
    cases = [(ratio, one) for ratio in RATIOS for one in drives]
    changes = _changes(fitted, machine, cases)
    late = late.assign(mechanism_s=late["felt_s"] - _felt_s(fitted, late, changes.speed_s[:, None])[:, 0])
    felt_s = late["felt_s"].to_numpy()[:, None] + _felt_s(fitted, late, changes.hit_s)
    frames = []
    for take in sorted(late["take"].unique()):
        told = _of_take(fitted, late, changes, felt_s, take, clicks[take] is not None)
        made = {"recording": late.loc[late["take"] == take, "recording"].iloc[0], "inertia_ratio": RATIOS}
        for name, values in told.items():
            made |= _with_error(name, np.asarray(values, dtype=float).reshape(len(RATIOS), len(drives)))
        made |= _sags(fitted, take, cases)
        frames.append(pd.DataFrame(made))
    frame = pd.concat(frames, ignore_index=True)
    return tables.build("inertia", group_keys.of_group(group, len(frame)) | {name: frame[name] for name in frame})


def drive_of_fit(fitted: Fit) -> Drive | None:
    """Return how the speed of a group comes back; None where its takes are too short to tell."""
    gaps = [np.diff(np.unique(rows["u_beat"])) for _, rows in fitted.hits.groupby("line")]
    gaps = np.concatenate(gaps) if gaps else np.zeros(0)
    if len(gaps) == 0:
        return None
    courses = [_course(fitted, line) for line in fitted.grid["line"].unique()]
    return drive_of(courses, fitted.recovery_beats, fitted.recovery_log_se, float(np.median(gaps)))


def _course(fitted, line) -> Course:
    """Return the speed of a line at all half beats from its first to its last."""
    own = fitted.grid[fitted.grid["line"] == line].sort_values("u_beat")
    known = own["u_beat"].to_numpy()
    u_beat = known[0] + GRID_BEAT * np.arange(round((known[-1] - known[0]) / GRID_BEAT) + 1)
    return Course(u_beat, *(np.interp(u_beat, known, own[name]) for name in ("motion", "load")))


def _changes(fitted, machine, cases) -> Changes:
    hits, grid = fitted.hits, fitted.grid
    speed_s = (hits["motion_s"] + hits["load_s"]).to_numpy()
    hit_s, grid_s = np.zeros((len(hits), len(cases))), np.zeros((len(grid), len(cases)))
    for line in hits["line"].unique():
        on, here = (hits["line"] == line).to_numpy(), (grid["line"] == line).to_numpy()
        u_beat, first = np.unique(hits["u_beat"].to_numpy()[on], return_index=True)
        if len(u_beat) < 2:
            continue
        at = np.arange(u_beat[0], u_beat[-1] + STEP_BEAT, STEP_BEAT)
        path_s = np.interp(at, u_beat, speed_s[on][first])
        beat_s = fitted.line_pace[line] / fitted.score.beat_per_s
        for place, (ratio, drive) in enumerate(cases):
            later_s = later(path_s, ratio, drive, beat_s)
            hit_s[on, place] = np.interp(hits["u_beat"].to_numpy()[on], at, later_s)
            grid_s[here, place] = np.interp(grid["u_beat"].to_numpy()[here], at, later_s)
    pedals_s, gain = _pedals(fitted, machine, cases)
    return Changes(hit_s + pedals_s @ (gain - 1), grid_s, speed_s + pedals_s.sum(axis=1))


def later(path_s: np.ndarray, ratio: float, drive: Drive, beat_s: float) -> np.ndarray:
    """Return by how much later the barrel is where it was late by `path_s`, on an inertia `ratio` times as large.

    It begins at the speed that the lines have in common; by what a single one begins faster, by 1/ratio as much. (Begun
    with a take's own first speed, a wheel of 16 times the inertia was foreseen three times as far from the click as it
    was.)

    Parameters
    ----------
    path_s : np.ndarray, shape=(n,)
        Every STEP_BEAT; a straight line in it changes nothing.
    beat_s : float
        Seconds per nominal beat of the line.
    """
    beats = STEP_BEAT * np.arange(len(path_s))
    slope = np.polyfit(beats, path_s, 1)[0] - drive.begun * beat_s
    answer = (ratio, 1 / drive.recovery_beats, drive.pull)
    return filtered((1 - ratio, 0.0, 0.0), answer, path_s - path_s[0] - slope * beats, STEP_BEAT)


def _pedals(fitted, machine, cases):
    """Return the wobbles that are torque, at the hits, and by how much each grows: (n_hits, n), (n, n_cases).

    What comes through a freewheel pushes, and cannot move the barrel otherwise.
    """
    free = [shaft.name for shaft in machine.shafts if shaft.drive == "freewheel"]
    on = fitted.shafts["shaft"].isin(free).to_numpy(bool)
    s = 2j * np.pi * fitted.shafts["order"].to_numpy(dtype=float)[on, None] * fitted.score.turn_per_beat
    ratio = np.array([ratio for ratio, _ in cases])
    held = s / np.array([drive.recovery_beats for _, drive in cases]) + np.array([drive.pull for _, drive in cases])
    return fitted.wobble_s[:, on], np.abs((s**2 + held) / (ratio * s**2 + held))


def _felt_s(fitted, late, parts_s):
    """Return how much of each column is felt, shape=(n_hits, n_columns): linear, with the beat that was felt."""
    own = late[[f"{part}_s" for part in PARTS]].to_numpy(copy=True)
    own[:, 0] += (late["along_late_s"] - late["late_s"]).to_numpy()  # against the line, also where a click was heard
    felt_s = np.full((len(late), parts_s.shape[1]), np.nan)
    place_s = late["along_s"].to_numpy() * fitted.line_pace[late["line"]]
    knot, good = late["knot"].to_numpy(), ~late["freak"].to_numpy()
    for line in late["line"].unique():
        at = np.flatnonzero(late["line"] == line)
        both = np.hstack([own[at], parts_s[at]])
        felt_s[at] = felt.felt_of(place_s[at], knot[at], both, good[at], len(PARTS))[0][:, len(PARTS) :]
    return felt_s


def _of_take(fitted, late, changes, felt_s, take, has_click) -> dict:
    """Return the spreads of one take in every case, (n_cases,) each."""
    n_cases = felt_s.shape[1]
    mine, here = (late["take"] == take).to_numpy() & ~late["freak"].to_numpy(), fitted.grid["take"] == take
    rows, grid = late[mine], fitted.grid[here]
    still_s = rows["mechanism_s"].to_numpy()
    told = {"felt_sd_s": _sd(felt_s[mine]), "speed_sd_s": _sd(felt_s[mine] - still_s[:, None])}
    told["mechanism_sd_s"] = np.repeat(_sd(still_s[:, None]), n_cases)
    late_s = rows["late_s"].to_numpy()[:, None] + changes.hit_s[mine]
    told["click_sd_s"] = late_s.std(axis=0) if has_click and len(rows) > 2 else np.full(n_cases, np.nan)
    steady = []
    for place in range(n_cases):
        moved = rows.assign(along_late_s=rows["along_late_s"] + changes.hit_s[mine, place])
        time_s = grid["time_s"] + changes.grid_s[here, place]
        steady.append(recordings.steady(fitted, moved, grid.assign(time_s=time_s)))
    return told | {f"steady_{n}": [one[n] for one in steady] for n in recordings.BARS}


def _sd(values_s):
    known = values_s[np.isfinite(values_s).all(axis=1)]
    return known.std(axis=0) if len(known) > 1 else np.full(values_s.shape[1], np.nan)


def _sags(fitted, take, cases) -> dict:
    """Return the greatest loss of speed by load and its error, (n_ratios,) each; null where no drag is known.

    The fit's own law lets every line begin unloaded, and no crew correct. Here lines begin as they did, and the crew
    corrects as it does, so the loss as played is another than the fit's, too.
    """
    grid = fitted.grid[fitted.grid["take"] == take]
    fit = recordings.sag_max(fitted, grid)
    if fit is None or not fit[0]:
        return {"sag_max": None, "sag_max_se": None}
    values = np.zeros(len(cases))
    for line in grid["line"].unique():
        course = _course(fitted, line)
        if len(course.u_beat) > 1:
            struck = np.unique(fitted.hits.loc[fitted.hits["line"] == line, "u_beat"])
            values = np.maximum(values, [_sag(course, struck, *case) for case in cases])
    made = _with_error("sag_max", values.reshape(len(RATIOS), -1))
    return made | {"sag_max_se": np.hypot(made["sag_max_se"], made["sag_max"] * fit[1] / fit[0])}


def _sag(course, struck, ratio, drive):
    load = drive.load(course, ratio)
    return (_mean_speed(course, load, struck) - load).max()


def _mean_speed(course, load, struck):
    """Return what the load makes of the line's mean speed: the slope of the place through the strikes."""
    edge = np.append(course.u_beat - GRID_BEAT / 2, course.u_beat[-1] + GRID_BEAT / 2)
    place = np.interp(struck, edge, np.append(0.0, np.cumsum(load) * GRID_BEAT))
    return np.polyfit(struck, place, 1)[0] if len(struck) > 1 else load.mean()


def _with_error(name, values) -> dict:
    """Return a quantity and its standard error by what is not known of the drive, (n_ratios,) each."""
    error = np.sqrt((((values[:, 1::2] - values[:, 2::2]) / 2) ** 2).sum(axis=1))
    return {name: values[:, 0]} | ({} if name == "mechanism_sd_s" else {f"{name}_se": error})
