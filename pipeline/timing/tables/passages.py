"""Say of every passage how the takes go through it: felt spread, drift, speed lost and the load's share in that."""

import numpy as np
import pandas as pd
import pyarrow as pa
from scipy import special

from pipeline import settings, tables
from pipeline.timing.data.score import GRID_BEAT
from pipeline.timing.fitting.fit import Fit
from pipeline.timing.tables import group_keys

COSTLY = 3  # strikers named per passage
WORTHLESS = 0.5  # standard error of a share from which it tells nothing
SURE = 2.0  # standard errors below which a sag is none that could be shared out


def passages(group: settings.Group, fitted: Fit, late: pd.DataFrame) -> pa.Table:
    """Return the table 'passages', one row per passage that some take reached."""
    rows = fitted.strikes.rows
    notes = fitted.score.notes
    grid = fitted.grid.assign(passage=_passage_of(fitted))
    smooth = late.assign(smooth_s=late["motion_s"] + late["load_s"] + late["shaft_s"])
    found = []
    for passage, written in notes.groupby("passage", sort=False):
        mine = rows[rows["passage"] == passage]
        if not (mine["played"] | (mine["status"] == "missed")).any():
            continue
        extras = fitted.strikes.extras
        hits = smooth[(smooth["passage"] == passage) & ~smooth["freak"]]
        row = {
            "passage": passage,
            "first_bar": int(written["bar"].min()),
            "last_bar": int(written["bar"].max()),
            "n_played": int(mine["played"].sum()),
            "n_missed": int((mine["status"] == "missed").sum()),
            "n_extra": int((extras["passage"] == passage).sum()),
        }
        row["felt_sd_s"], row["felt_sd_se"] = _felt_sd(hits)
        row["late_mean_s"], row["late_mean_se"] = _over_tracks(hits.groupby("track")["late_s"].mean(), hits)
        ranges = hits.groupby("track")["smooth_s"].agg(np.ptp)
        row["late_range_s"], row["late_range_se"] = _over_tracks(ranges, hits)
        row |= _sag(grid[grid["passage"] == passage], fitted)
        found.append(row)
    frame = pd.DataFrame(found)
    drift = frame["late_range_s"].fillna(-1.0)
    frame["rank"] = drift.rank(ascending=False, method="first").astype(int)
    columns = {name: frame[name].tolist() for name in frame.columns}
    return tables.build("passages", group_keys.of_group(group, len(frame)) | columns)


def _passage_of(fitted):
    """Return the passage of each row of the speed curve: that of the last note at or before it."""
    notes = fitted.score.notes.sort_values("score_beat")
    beat = fitted.score.grid_score_beat[fitted.grid["place"].to_numpy()]
    at = np.searchsorted(notes["score_beat"].to_numpy(), beat + 1e-9, side="right") - 1
    return notes["passage"].to_numpy()[np.maximum(at, 0)]


def _felt_sd(hits):
    """Return the spread of felt_s and its error, by leaving out one bar of one take at a time (jackknife)."""
    felt = hits.dropna(subset="felt_s")
    if len(felt) < 2:
        return None, None
    blocks = felt.groupby(["track", "bar"])["felt_s"].agg([lambda x: (x**2).sum(), "sum", "size"]).to_numpy()
    whole = blocks.sum(axis=0)

    def sd(sums):
        return np.sqrt(np.maximum(sums[..., 0] / sums[..., 2] - (sums[..., 1] / sums[..., 2]) ** 2, 0))

    left = whole - blocks
    left = left[left[:, 2] > 1]
    if len(left) < 2:
        return float(sd(whole)), None
    without = sd(left)
    return float(sd(whole)), float(np.sqrt((len(left) - 1) * np.var(without))) * few(len(left) - 1)


def _over_tracks(values, hits):
    """Return the mean over the playthroughs and its error; of a single one the error is not known."""
    values = values.dropna().to_numpy()
    if len(values) == 0:
        return None, None
    if len(values) == 1:
        return float(values[0]), None
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values))) * few(len(values) - 1)


def few(df: float) -> float:
    """Return how much wider an error is told that `df` differences made: ±1.96 of it hold 95 %, by Student's t."""
    return float(special.stdtrit(df, 0.975) / special.ndtri(0.975))


def _sag(grid, fitted):
    """Return the speed lost against the take's mean, the load's share of it, and which strikers' load costs most."""
    names = ("sag", "sag_se", "by_load", "by_load_se", "load_share", "load_share_se")
    none = dict.fromkeys(names) | {"costs_most": []}
    if len(grid) == 0:
        return none
    tracks = grid.assign(lost=-(grid["motion"] + grid["load"] + grid["shaft"]), by_load=-grid["load"])
    by_track = tracks.groupby("track")[["lost", "by_load"]].mean()
    sag, by_load = by_track["lost"].mean(), by_track["by_load"].mean()
    own = np.sqrt(
        np.mean(_stretch_se(tracks, GRID_BEAT / fitted.score.beat_per_s) ** 2 + _line_se(fitted) ** 2) / len(by_track)
    )
    between = by_track["lost"].std(ddof=1) / np.sqrt(len(by_track)) if len(by_track) > 1 else 0.0
    sag_se = float(np.hypot(own, between))
    striker = -fitted.load_by_striker[grid.index].mean(axis=0)
    known = np.nan_to_num(fitted.drag) > SURE * np.nan_to_num(fitted.drag_se, nan=np.inf)
    costly = [place for place in np.argsort(-striker, kind="stable") if striker[place] > 0 and known[place]][:COSTLY]
    row = none | {"sag": float(sag), "sag_se": sag_se}
    row["costs_most"] = [fitted.strikes.striker_names[place] for place in costly]
    # Over all the score, the load costs nothing against its own mean.
    if not np.isfinite(fitted.drag).any() or len(grid) == len(fitted.grid):
        return row
    of_mean = np.zeros(len(fitted.grid))
    of_mean[grid.index] = 1 / tracks.groupby("track")["by_load"].transform("size") / len(by_track)
    row |= {"by_load": float(by_load), "by_load_se": fitted.load_mean_se(of_mean)}
    if sag > SURE * sag_se:
        share = by_load / sag
        share_se = float(np.hypot(row["by_load_se"] / sag, share * sag_se / sag))
        if share_se < WORTHLESS:
            row |= {"load_share": float(share), "load_share_se": share_se}
    return row


def _stretch_se(tracks, step_s):
    """Return the error of the mean pace over each track's stretch: those of the places of its two ends, at most."""
    ends = tracks.sort_values("u_beat").groupby("track").agg({"time_se": ["first", "last"], "pace": ["mean", "size"]})
    ends_se = ends["time_se", "first"] + ends["time_se", "last"]
    span_s = ends["pace", "mean"] * ends["pace", "size"] * step_s
    return (ends_se / span_s).to_numpy()


def _line_se(fitted):
    """Return the error of the mean pace of a line, root mean square: its straight line goes through scattered hits."""
    hits = fitted.hits[~fitted.hits["freak"]]
    scatter_s = hits["striker_s"] + hits["pin_s"] + hits["rest_s"]
    grouped = hits.assign(scatter_s=scatter_s).groupby("line").agg({"scatter_s": "std", "along_s": ["std", "size"]})
    spread_s = grouped["along_s", "std"] * np.sqrt(grouped["along_s", "size"])
    slope = (grouped["scatter_s", "std"] / spread_s).replace([np.inf, -np.inf], np.nan)
    return float(np.sqrt(np.nanmean(slope**2))) if slope.notna().any() else 0.0
