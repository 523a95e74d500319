"""Sum up every recording, the refused ones too: how complete, together, even and steady it played."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline import hearing, settings, tables, words
from pipeline.timing.data.takes import Take
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys
from pipeline.timing.tables.allan_deviation import allan_deviation
from pipeline.timing.tables.click import Click
from pipeline.timing.tables.passages import few

BARS = (1, 2, 4, 8)
# Far from the click: people who tap come some 20 to 80 ms early (Aschersleben 2002, Brain Cogn. 48, 66; from memory).
FAR_S = 0.1
STEADILY = 2.0  # spreads
# Own hits of chords beyond the first of each: a standard deviation of fewer is uncertain by a quarter and more, and
# would stand beside other recordings' as if it were as good.
FEWEST_TOGETHER = 8
FEWEST_TEMPO = 4  # half beats below which there is no trend of the tempo


def recordings(
    group: settings.Group,
    takes: list[Take],
    fitted: Fit | None,
    late: pd.DataFrame | None,
    clicks: list[Click | None] | None,
    inertia: pa.Table | None,
) -> pa.Table:
    """Return the table 'recordings': one row a take; the last four are None when no take can be used."""
    found, number = [], 0
    for take in takes:
        row = {"recording": take.recording.recording, "reason": take.refused, "health": _health(take)}
        row["status"] = "refused" if take.refused else "used"
        row |= _counts(take, fitted, late, number)
        if not take.refused:
            row |= _figures(fitted, late, clicks, number) if fitted is not None else {}
            row |= _sag_as_played(row["recording"], inertia) if fitted is not None else {}
            row |= _stops(take)
            row["health"] += _far_from_the_click(row)
            number += 1
        found.append(row)
    names = [name for name in tables.CONTRACTS["recordings"].schema.names if name not in group_keys.of_group(group, 0)]
    columns = {name: [row.get(name) for row in found] for name in names}
    return tables.build("recordings", group_keys.of_group(group, len(found)) | columns)


def _health(take):
    return [str(fault) for fault in take.said.get("health", [])]


def _stops(take):
    found = take.said.get("run_down") or {}
    return {name: found.get(name) for name in ("stops_s", "stops_se")}


def _far_from_the_click(row):
    """Tell of a crew that keeps well away from the click all along."""
    offset_s, spread_s = row.get("click_offset_s"), row.get("late_sd_s")
    if offset_s is None or spread_s is None or abs(offset_s) < max(FAR_S, STEADILY * spread_s):
        return []
    way = "behind" if offset_s > 0 else "ahead of"
    distance = words.with_plain_spaces(words.milliseconds(abs(offset_s), digits=0))
    return [
        f"crew: plays {distance} {way} the click all along; see whether headphones or programs "
        "delay the click, else leave it: it is no fault of the machine"
    ]


def _counts(take, fitted, late, number):
    """Count notes; a refused take is not counted: what was matched in it is not to be believed."""
    if take.refused or fitted is None:
        return {"n_notes": 0, "n_played": 0, "n_missed": 0, "n_extra": 0, "n_noticed": 0}
    rows, extras = fitted.strikes.rows, fitted.strikes.extras
    rows = rows[rows["take"] == number]
    played, missed = int(rows["played"].sum()), int((rows["status"] == "missed").sum())
    extra = int((extras["take"] == number).sum())
    noticed = hearing.MISSED_COUNTS * missed + hearing.EXTRA_COUNTS * extra
    noticed += hearing.faults_of(late[late["take"] == number])
    noticed += hearing.TEMPO_BAR_COUNTS * _bars_of_change(fitted, fitted.grid[fitted.grid["take"] == number])
    return {
        "n_notes": played + missed,
        "n_played": played,
        "n_missed": missed,
        "n_extra": extra,
        "n_noticed": round(noticed),
    }


def _bars_of_change(fitted, grid):
    """Count the bars in which the tempo is heard to change."""
    bars = fitted.score.bars["score_beat"].to_numpy()
    count = 0
    for _, track in grid.groupby(["playthrough", "segment"]):
        track = track.sort_values("place")
        speed = (track["motion"] + track["load"] + track["shaft"]).to_numpy(float)
        bar = np.searchsorted(bars, fitted.score.grid_score_beat[track["place"]], side="right")
        count += hearing.bars_of_change(speed, bar)
    return count


def _figures(fitted, late, clicks, number):
    mine = late[(late["take"] == number) & ~late["freak"]]
    grid = fitted.grid[fitted.grid["take"] == number]
    felt_s = mine["felt_s"].dropna()
    click = clicks[number]
    row = {
        "tempo_bpm": _tempo_bpm(fitted, mine),
        "tempo_trend_per_min": _trend_per_min(grid),
        "tempo_trend_se_per_min": _trend_se_per_min(fitted, grid),
        "felt_sd_s": felt_s.std(ddof=0) if len(felt_s) > 1 else None,
        "felt_p95_s": felt_s.abs().quantile(0.95) if len(felt_s) > 1 else None,
        "late_sd_s": mine["late_s"].std(ddof=0) if len(mine) > 2 else None,
        "together_s": _together_s(mine),
        "click_offset_s": click.offset_s if click else None,
        "clock_ppm": click.clock_ppm if click and np.isfinite(click.clock_ppm) else None,
    }
    row |= {f"steady_{n}": value for n, value in steady(fitted, mine, grid).items()}
    return row | dict(zip(("sag_max", "sag_max_se"), sag_max(fitted, grid) or (), strict=False))


def _sag_as_played(recording, inertia):
    """Return the loss of speed that the crew leaves, from the table 'inertia'; nothing where that cannot be told."""
    rows = inertia.filter((pc.field("recording") == recording) & (pc.field("inertia_ratio") == 1.0)).to_pylist()
    return {name: rows[0][name] for name in ("sag_max", "sag_max_se") if rows and rows[0]["sag_max"] is not None}


def steady(fitted: Fit, mine: pd.DataFrame, grid: pd.DataFrame) -> dict[int, float | None]:
    """Return the Allan deviation of a take's bar times over each of BARS, pooled over its lines; None with too few.

    Parameters
    ----------
    mine : pd.DataFrame
        The take's rows of `lateness.rows`, no freak ones.
    grid : pd.DataFrame
        Its rows of `Fit.grid`.
    """
    phases = _phases(fitted, mine, grid)
    found = {}
    for n in BARS:
        pieces = [allan_deviation(phase, n) for phase in phases]
        terms = [max(len(phase) - 2 * n, 0) for phase in phases]
        good = [(value, weight) for value, weight in zip(pieces, terms, strict=True) if np.isfinite(value)]
        mean = sum(v**2 * w for v, w in good) / sum(w for _, w in good) if good else None
        found[n] = None if mean is None else float(np.sqrt(mean))
    return found


def sag_max(fitted: Fit, grid: pd.DataFrame) -> tuple[float, float] | None:
    """Return the greatest loss of speed by load and its error; None when no drag is known to a percent of the speed.

    Parameters
    ----------
    grid : pd.DataFrame
        Rows of `Fit.grid`.
    """
    known = fitted.drag_se[np.isfinite(fitted.drag_se)]
    if not (known < 0.01).any() or len(grid) == 0:
        return None
    lowest = grid.loc[grid["load"].idxmin()]
    return max(0.0, float(-lowest["load"])), float(lowest["load_se"])


def _tempo_bpm(fitted, mine):
    """Return quarter notes per minute over the take: written quarters over the time of its straight lines."""
    quarters, minutes = 0.0, 0.0
    bars = fitted.score.bars
    for line, rows in mine.groupby("line"):
        span_s = np.ptp(rows["along_s"])
        if span_s <= 0:
            continue
        # Bars and their length in quarters: a written change of tempo counts as what it is.
        beat = np.interp(rows["score_s"], bars["score_s"], bars["score_beat"])
        within = rows["playthrough"].nunique() == 1
        quarters += np.ptp(beat) if within else span_s * fitted.score.beat_per_s
        minutes += span_s * fitted.line_pace[line] / 60
    return quarters / minutes if minutes > 0 else None


def _trend_per_min(grid):
    """Return the relative change of speed per minute: least squares through the speed curve."""
    if len(grid) < FEWEST_TEMPO:
        return None
    pace = grid["pace"].to_numpy()
    minute = grid["time_s"].to_numpy() / 60
    centred = minute - minute.mean()
    speed = np.mean(pace) / pace
    return float(centred @ (speed / speed.mean()) / (centred @ centred)) if centred @ centred > 0 else None


def _trend_se_per_min(fitted, grid):
    """Return what the fitted wander of the crew, σ² e^(−|u−u'|/ℓ), makes of the trend of a take with none of its own.

    A take of a few ℓ tells σ and ℓ but roughly: it is a mean of about length/2ℓ values, and Student's t of as many
    holds 95 of 100.
    """
    if len(grid) < FEWEST_TEMPO:
        return None
    scales, grid = fitted.scales, grid.sort_values("time_s")
    minute, u_beat = grid["time_s"].to_numpy() / 60, grid["u_beat"].to_numpy()
    weight = (minute - minute.mean()) / np.sum((minute - minute.mean()) ** 2)
    variance, before = 0.0, 0.0
    kept = np.exp(-np.abs(np.diff(u_beat, prepend=u_beat[0])) / scales.speed_beats)
    for share, fades in zip(weight, kept, strict=True):
        before *= fades
        variance += share**2 + 2 * share * before
        before += share
    df = max(1.0, np.ptp(u_beat) / (2 * scales.speed_beats) - 1)
    return float(scales.speed_sd * np.sqrt(max(variance, 0.0))) * few(df)


def _together_s(mine):
    """Return the pooled standard deviation of notes written together; a hit shared by several notes tells nothing."""
    own = mine[mine["shared"] == 1]
    chords = own.groupby(["track", "knot"])["hit_s"]
    freedom = (chords.transform("size") > 1).sum() - (chords.size() > 1).sum()
    if freedom < FEWEST_TOGETHER:
        return None
    return float(np.sqrt(((own["hit_s"] - chords.transform("mean")) ** 2).sum() / freedom))


def _phases(fitted, mine, grid):
    """Return the bar times of each line in units of the mean bar, from its straight line.

    With at most one chord a bar (a clock test) they are the strikes themselves; else the machine's own place at the
    bar lines, since what strikes there differs from bar to bar.
    """
    bars = fitted.score.bars
    bar_s = float(np.diff(bars["score_s"]).mean())
    per_bar = fitted.score.notes.groupby("bar")["knot"].nunique()
    phases = []
    for line, rows in mine.groupby("line"):
        pace = fitted.line_pace[line]
        if per_bar.max() == 1:
            number = np.round((rows["along_s"] / bar_s).to_numpy() - 0.001).astype(int)
            late_s = rows["along_late_s"].to_numpy()
        else:
            own = grid[grid["line"] == line].sort_values("u_beat")
            if len(own) < 2:
                continue
            along_s = own["u_beat"].to_numpy() / fitted.score.beat_per_s
            number = np.arange(np.ceil(along_s[0] / bar_s - 1e-6), np.floor(along_s[-1] / bar_s + 1e-6) + 1).astype(int)
            straight_s = fitted.line_start_s[line] + pace * along_s
            late_s = np.interp(number * bar_s, along_s, own["time_s"].to_numpy() - straight_s)
        if len(number) == 0:
            continue
        phase = np.full(number.max() - number.min() + 1, np.nan)
        phase[number - number.min()] = late_s / (pace * bar_s)
        phases.append(phase)
    return phases
