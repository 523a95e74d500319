"""Gather the strikes of all takes of a group into one frame, placed along the score.

A *line* is a segment of a take (its own start and mean speed); a *track* is one playthrough within a line. The load of
the strikes runs on through the playthroughs of a line and starts afresh with a line.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline import robust, settings
from pipeline.timing.data import extras
from pipeline.timing.data.score import Score
from pipeline.timing.data.takes import Take

FIRES = ("played", "unheard", "undecided")  # what takes energy from the machine
COMPANY_S = 0.015  # strikes nearer than this load each other
NEIGHBOURS = 9  # hits through which the line is laid that a freak hit is held against, its own among them
FREAK_S = 0.05  # a hit further off is another strike: the ±50 ms within which a hit counts as found (MIREX)
UNSURE = 0.5  # a match below this confidence informs no estimate


@dataclass(frozen=True, eq=False)
class Strikes:
    """All notes that a take reached, and the extra hits.

    Parameters
    ----------
    rows : pd.DataFrame
        One row per played, missed, unheard or undecided note, by take, line and score time: `take, line, track,
        playthrough, segment, status, note_id, pin, striker` (its number), `score_s, bar, u_beat, along_s` (both
        unrolled over playthroughs), `knot, fires, played, hit_id, hit_s, since_s` (since the line's first hit, to the
        nanosecond)`, hit_se, level_db, shared, confidence`.
    extras : pd.DataFrame
        Double or stray strikes: `take, striker` (−1: not known)`, passage, rebound`, and what `extras` says else.
    sounds : pd.DataFrame
        Extra hits that are the sound of a strike itself: the same columns, `sound_of` the striker.
    striker_names : tuple of str
    begun_s : np.ndarray, shape=(n_lines,)
        The first hit of each line in its recording.
    n_lines, n_tracks : int
    """

    rows: pd.DataFrame
    extras: pd.DataFrame
    sounds: pd.DataFrame
    striker_names: tuple[str, ...]
    begun_s: np.ndarray
    n_lines: int
    n_tracks: int


def strikes_of(takes: list[Take], score: Score, machine: settings.Machine) -> Strikes:
    """Gather the strikes of `takes` (none of them refused)."""
    names = _striker_names(score, machine)
    frames, extra = [], []
    for number, take in enumerate(takes):
        aligned = take.aligned.to_pandas()
        levels = take.hits.select(["hit_id", "level_db", "kind"]).to_pandas()
        extra.append(_extras(aligned, names).assign(take=number).merge(levels, on="hit_id", how="left"))
        kept = aligned[aligned["status"].isin([*FIRES, "missed"]) & aligned["note_id"].notna()]
        frames.append(kept.assign(take=number).merge(levels, on="hit_id", how="left"))
    rows = _placed(pd.concat(frames, ignore_index=True), score, names)
    n_lines, n_tracks = rows["line"].max() + 1, rows["track"].max() + 1
    begun_s = rows[rows["played"]].groupby("line")["hit_s"].min().reindex(range(n_lines)).to_numpy()
    # To the nanosecond: where in a recording a line lies shall not even change the last digits.
    rows["since_s"] = (rows["hit_s"] - begun_s[rows["line"]]).round(9)
    every = extras.told(pd.concat(extra, ignore_index=True), rows, len(names))
    is_sound = every["sound_of"] >= 0
    return Strikes(rows, every[~is_sound], every[is_sound], names, begun_s, n_lines, n_tracks)


def _extras(aligned, names):
    """Return the extra hits of a take, with striker (−1: not known) and the passage of the note played last."""
    extra, played = aligned[aligned["status"] == "extra"], aligned[aligned["status"] == "played"].sort_values("hit_s")
    last = np.searchsorted(played["hit_s"].to_numpy(), extra["hit_s"].to_numpy(), side="right") - 1
    striker = extra["striker"].map({name: place for place, name in enumerate(names)})
    return pd.DataFrame(
        {
            "hit_id": extra["hit_id"].astype(int).to_numpy(),
            "hit_s": extra["hit_s"].to_numpy(),
            "hit_se": extra["hit_se"].to_numpy(),
            "striker": striker.fillna(-1).astype(int).to_numpy(),
            "passage": played["passage"].to_numpy()[np.maximum(last, 0)] if len(played) else None,
        },
        index=range(len(extra)),
    )


def neighbours(strikes: Strikes, shift_s=0.0) -> np.ndarray:
    """Return, per row, how many strikes of each striker come within ±15 ms and fire, its own apart.

    Parameters
    ----------
    shift_s : float or np.ndarray, shape=(n_rows,)
        By how much each comes later than written (a misplaced pin may come alone).

    Returns
    -------
    np.ndarray, shape=(n_rows, n_strikers)
    """
    rows = strikes.rows
    alone = np.zeros((len(rows), len(strikes.striker_names)))
    alone[np.arange(len(rows)), rows["striker"]] = rows["fires"]
    place_s = rows["along_s"].to_numpy() + shift_s + 1e4 * rows["line"].to_numpy()
    order = np.argsort(place_s, kind="stable")
    total = np.vstack([np.zeros(alone.shape[1]), np.cumsum(alone[order], axis=0)])
    first = np.searchsorted(place_s[order], place_s - COMPANY_S - 1e-9)
    last = np.searchsorted(place_s[order], place_s + COMPANY_S + 1e-9, side="right")
    return total[last] - total[first] - alone


def company(strikes: Strikes, heaviness: np.ndarray, shift_s=0.0) -> np.ndarray:
    """Return, per row, how heavy the `neighbours` are.

    Parameters
    ----------
    heaviness : np.ndarray, shape=(n_strikers,)
        Load of each striker over that of a mean strike.
    """
    return neighbours(strikes, shift_s) @ heaviness


def gap_s(strikes: Strikes, line_pace: np.ndarray) -> np.ndarray:
    """Return, per row, the time since the same striker's own last strike (infinite for its first on a line).

    Parameters
    ----------
    line_pace : np.ndarray, shape=(n_lines,)
        Seconds per nominal second of each line.
    """
    rows = strikes.rows
    line, striker, along_s = (rows[name].to_numpy() for name in ("line", "striker", "along_s"))
    order = np.lexsort([along_s, striker, line])
    same = np.r_[False, (np.diff(line[order]) == 0) & (np.diff(striker[order]) == 0)]
    place = np.arange(len(order))
    opened = np.maximum.accumulate(np.where(same, 0, place))
    fired = np.maximum.accumulate(np.where(rows["fires"].to_numpy()[order], place, -1))
    last = np.r_[-1, fired[:-1]]
    gap = np.full(len(order), np.inf)
    has = last >= opened
    gap[order[has]] = (along_s[order[has]] - along_s[order[last[has]]]) * line_pace[line[order[has]]]
    return gap


def _striker_names(score, machine):
    """Return the machine's strikers in their order, then any other that the notes name."""
    named = [striker.name for striker in machine.strikers]
    return tuple(named + sorted(set(score.notes["striker"]) - set(named)))


def _placed(rows, score, names):
    notes = score.notes.set_index("note_id")
    of = rows["note_id"] = rows["note_id"].astype(int)
    for column in ("striker", "bar", "beat_in_bar", "passage", "score_beat", "score_s", "knot"):
        rows[column] = notes[column].reindex(of).to_numpy()
    rows["pin"] = notes["pin_id"].reindex(of).to_numpy()
    rows["striker"] = rows["striker"].map({name: place for place, name in enumerate(names)}).astype(int)
    rows["played"] = (rows["status"] == "played") & rows["hit_s"].notna()
    rows["fires"] = rows["status"].isin(FIRES)
    rows["confidence"] = rows["confidence"].fillna(1.0)
    rows["shared"] = rows["shared"].clip(lower=1)
    rows["hit_se"] = rows["hit_se"].fillna(0.0)
    rows["level_db"] = rows["level_db"].fillna(np.nan)
    rows = rows.assign(segment=_hung_on(rows))
    round_s = _round_s(rows, score.length_s)
    rows = rows.assign(along_s=rows["score_s"] + (rows["playthrough"] - 1) * round_s)
    rows["u_beat"] = rows["along_s"] * score.beat_per_s
    rows = rows.sort_values(["take", "segment", "along_s", "note_id"], ignore_index=True)
    rows["line"] = rows.groupby(["take", "segment"]).ngroup()
    rows["track"] = rows.groupby(["take", "segment", "playthrough"]).ngroup()
    return rows


def _hung_on(rows):
    """Return the segment of every row; a segment without a hit hangs on the one before it (or else behind it)."""
    segment = rows["segment"].to_numpy().copy()
    for _, take in rows.groupby("take"):
        good = np.unique(take.loc[take["played"], "segment"])
        own = segment[take.index]
        segment[take.index] = good[np.maximum(np.searchsorted(good, own, side="right") - 1, 0)]
    return segment


def _round_s(rows, length_s):
    """Return the score time from one playthrough to the next within a segment.

    It is the arrangement's length to the end of its last bar, unless the recordings say otherwise by more than half a
    nominal second: then what they say (median), since a barrel may run on or cut the last bar short.
    """
    played = rows[rows["played"]]
    gaps = []
    for _, line in played.groupby(["take", "segment"]):
        for number in sorted(line["playthrough"].unique())[1:]:
            now, before = line[line["playthrough"] == number], line[line["playthrough"] == number - 1]
            if len(now) < 4 or len(before) < 4:
                continue
            last, first = before.nlargest(20, "score_s"), now.nsmallest(20, "score_s")
            pace = _slope(
                np.concatenate([last["score_s"] - last["score_s"].mean(), first["score_s"] - first["score_s"].mean()]),
                np.concatenate([last["hit_s"] - last["hit_s"].mean(), first["hit_s"] - first["hit_s"].mean()]),
            )
            if pace > 0:
                middle_s = (first["hit_s"].mean() - last["hit_s"].mean()) / pace
                gaps.append(middle_s - first["score_s"].mean() + last["score_s"].mean())
    if gaps and abs(np.median(gaps) - length_s) > 0.5:
        return float(np.round(np.median(gaps), 9))
    return length_s


def _slope(x, y):
    return float(x @ y / (x @ x)) if x @ x > 0 else 0.0


def first_weights(strikes: Strikes) -> np.ndarray:
    """Return weight 0 for hits to leave out from the start, else 1 over the notes that share the hit.

    Left out are hits further than FREAK_S (or eight robust standard deviations, if that is more) from a robust line
    through the hits around them, and matches that the alignment itself doubts. Shape=(n_played,).
    """
    played = strikes.rows[strikes.rows["played"]]
    away_s = np.zeros(len(played))
    for line in played["line"].unique():
        at = np.flatnonzero(played["line"] == line)
        if len(at) < NEIGHBOURS:
            continue
        x, y = played["along_s"].to_numpy()[at], played["since_s"].to_numpy()[at]
        centred = x - x.mean()
        late_s = y - y.mean() - centred * _slope(centred, y)
        away_s[at] = late_s - _around(x, late_s)
    spread_s = robust.SD_OF_MAD * np.median(np.abs(away_s)) if len(away_s) else 0.0
    trusted = (np.abs(away_s) < max(FREAK_S, 8 * spread_s)) & (played["confidence"].to_numpy() >= UNSURE)
    return np.where(trusted, 1 / played["shared"].to_numpy(), 0.0)


def _around(x, y):
    """Return at each place a line through the NEIGHBOURS around it that few of them cannot bend (Theil 1950, Sen 1968).

    At the ends the neighbours lie to one side: the line goes on from them.
    """
    n = len(x)
    first = np.clip(np.arange(n) - NEIGHBOURS // 2, 0, n - NEIGHBOURS)
    index = first[:, None] + np.arange(NEIGHBOURS)
    one, other = np.triu_indices(NEIGHBOURS, 1)
    run, rise = x[index[:, other]] - x[index[:, one]], y[index[:, other]] - y[index[:, one]]
    # Notes of one chord have no slope between them.
    slope = np.where(run > 1e-9, rise / np.where(run > 1e-9, run, 1.0), np.nan)
    flat = np.isnan(slope).all(axis=1)
    slope[flat] = 0.0
    slope = np.nanmedian(slope, axis=1)
    return slope * x + np.median(y[index] - slope[:, None] * x[index], axis=1)
