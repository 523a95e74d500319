"""Compare the demo's results with its truth: `python -m demo.compare [CONFIG]`.

Prints for each recording how well hits and notes were found, and for each group how well delays, drags, pins and tempo
were estimated. A hit is found if it lies within 10 ms of a true strike of the same striker. Timing errors are those of
the found hits; no bias is subtracted. A note is right if its hit lies within 10 ms of its true strike.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline import settings, tables

NEAR_S = 0.010  # chosen: above every error of timing, below the shortest gap of a striker
TRUTH = Path("demo/truth")


def main(arguments: list[str]) -> int:
    """Print the comparison of every table that is there."""
    config = settings.load(arguments[0] if arguments else "demo/config.yaml")
    print("recording        hits: found  false    F   median   95 %   99 % (ms) | notes: wrong  lost    F")
    for take in config.recordings:
        truth = TRUTH / take.recording / "strikes.csv"
        if truth.exists():
            print(f"{take.recording:16} {_hits_line(config, take)} | {_notes_line(config, take)}")
    for group in config.groups():
        folder = tables.group_folder(config.results, group.build_day, group.id)
        if group.arrangement == "song" and (folder / "strikers.parquet").exists():
            print(f"\n{group.build_day} {group.setup or 'first set-up'}, {len(group.recordings)} recordings")
            print(
                "\n".join(
                    [
                        *_strikers_lines(group, folder),
                        *_counts_lines(group, folder),
                        *_pins_lines(group, folder),
                        *_tempo_lines(config, group),
                    ]
                )
            )
            print("\n".join(_shafts_lines(group, folder)))
    return 0


def nearest(true_s: np.ndarray, found_s: np.ndarray) -> np.ndarray:
    """Return the errors of the found times, found minus true (s), shape=(n_true,).

    A found time is used once. NaN: no found time within NEAR_S.
    """
    errors, taken = np.full(len(true_s), np.nan), np.zeros(len(found_s), dtype=bool)
    for i in np.argsort(true_s):
        near = np.flatnonzero(~taken & (np.abs(found_s - true_s[i]) <= NEAR_S))
        if len(near):
            best = near[np.argmin(np.abs(found_s[near] - true_s[i]))]
            taken[best] = True
            errors[i] = found_s[best] - true_s[i]
    return errors


def _struck(recording: str) -> pd.DataFrame:
    """Return time and striker of every strike that sounded, extra strikes included."""
    strikes = pd.read_csv(TRUTH / recording / "strikes.csv")
    extras = pd.read_csv(TRUTH / recording / "extras.csv")
    columns = ["strike_s", "striker"]
    return pd.concat([strikes.loc[~strikes["missed"], columns], extras[columns]])


def _hits_line(config, take) -> str:
    path = tables.path(config.results, "hits", recording=take.recording)
    if not path.exists() or tables.said(path, "hits").get("refused"):
        return "refused or not run".rjust(52)
    hits = tables.read(path, "hits").to_pandas()
    hits = hits[hits["kind"].isin(["strike", "rebound"]) & (hits["probability"] >= 0.5)]
    struck = _struck(take.recording)
    if hits["striker"].notna().any():
        pairs = [(part["strike_s"], hits.loc[hits["striker"] == name]) for name, part in struck.groupby("striker")]
    else:
        # In a mixed microphone a chord is one hit: use only the first strike of each chord.
        times = np.sort(struck["strike_s"].to_numpy())
        pairs = [(pd.Series(times[np.diff(times, prepend=-1.0) > 0.012]), hits)]
    errors = np.concatenate([nearest(t.to_numpy(), h["hit_s"].to_numpy()) for t, h in pairs])
    n_found, n_true = int(np.isfinite(errors).sum()), len(errors)
    n_false = sum(len(h) for _, h in pairs) - n_found
    size_ms = 1e3 * np.abs(errors[np.isfinite(errors)])
    middle, most, nearly_all = np.quantile(size_ms, [0.5, 0.95, 0.99]) if n_found else (np.nan,) * 3
    score = 2 * n_found / (2 * n_found + n_false + n_true - n_found)
    return f"{n_found:5d}/{n_true:<5d} {n_false:6d} {score:6.3f} {middle:7.3f} {most:7.3f} {nearly_all:7.3f}".rjust(52)


def _notes_line(config, take) -> str:
    path = tables.path(config.results, "aligned", build_day=take.build_day, recording=take.recording)
    if not path.exists():
        return "not run"
    aligned = tables.read(path, "aligned").to_pandas()
    strikes = pd.read_csv(TRUTH / take.recording / "strikes.csv")
    played = aligned[aligned["status"] == "played"].merge(strikes, on=["playthrough", "note_id"], how="left")
    played["away_s"] = (played["hit_s"] - played["strike_s"]).abs()
    # A hit that several notes share lies at the first of them.
    played["away_s"] = played.groupby(["playthrough", "hit_id"])["away_s"].transform("min")
    right = (played["away_s"] <= NEAR_S) & ~played["missed"].fillna(True).astype(bool)
    n_true = int((~strikes["missed"]).sum())
    n_wrong, n_lost = int((~right).sum()), n_true - int(right.sum())
    score = 2 * right.sum() / max(len(played) + n_true, 1)
    return f"{n_wrong:12d} {n_lost:5d} {score:6.4f}"


def _strikers_lines(group, folder) -> list[str]:
    found = tables.read(folder / "strikers.parquet", "strikers").to_pandas().set_index("striker")
    truth = pd.read_csv(TRUTH / f"strikers-{group.build_day}.csv").set_index("striker").reindex(found.index)
    pins = pd.read_csv(TRUTH / f"pins-{group.build_day}.csv")
    # If all pins of a striker are late by the same amount, that cannot be told from its delay: add it to the truth.
    usual = pins[~pins["misplaced"]].groupby("striker")["offset_s"].mean().reindex(found.index)
    delay_s = truth["delay_s"] + usual
    delay_s -= delay_s.mean()
    lines = ["  striker         delay ms true found  ±     | company  | readiness | drag % true found ±"]
    for name, row in found.iterrows():
        true = truth.loc[name]
        lines.append(
            f"  {name:14} {1e3 * delay_s[name]:8.2f} {1e3 * row['delay_s']:6.2f} {1e3 * row['delay_se']:5.2f}"
            f"   | {1e3 * true['company_s']:4.1f} {1e3 * row['company_s']:4.1f}"
            f" | {1e3 * true['readiness_s']:4.1f} {1e3 * row['readiness_s']:4.1f}"
            f" | {1e2 * true['drag']:6.3f} {1e2 * row['drag']:6.3f} {1e2 * row['drag_se']:6.3f}"
        )
    error_ms = 1e3 * (found["delay_s"] - delay_s)
    lines.append(f"  delays: error {np.sqrt((error_ms**2).mean()):.2f} ms (root mean square)")
    return lines


def _counts_lines(group, folder) -> list[str]:
    """Count missed and extra strikes over the used takes: true and found."""
    used = tables.read(folder / "recordings.parquet", "recordings").to_pandas()
    used = used.loc[used["status"] == "used", "recording"]
    strikes, extras = (
        pd.concat([pd.read_csv(TRUTH / one / f"{name}.csv") for one in used]) for name in ("strikes", "extras")
    )
    found = tables.read(folder / "strikers.parquet", "strikers").to_pandas().set_index("striker")
    lines = ["  striker         missed true found | extra true found | rebounds true found | own sound found"]
    for name, row in found.iterrows():
        extra = extras[extras["striker"] == name]
        lines.append(
            f"  {name:14} {strikes.loc[strikes['striker'] == name, 'missed'].sum():12d} {row['n_missed']:5d} |"
            f" {len(extra):10d} {row['n_extra']:5d} | {(extra['kind'] == 'rebound').sum():13d} {row['n_rebound']:5d}"
            f" | {row['n_sound']:9d}"
        )
    pins = tables.read(folder / "pins.parquet", "pins").to_pandas()
    often = pins[pins["miss_q_value"] < 0.05]
    lines.append(f"  pins called for misses: {[(row.pin_id, row.n_failed) for row in often.itertuples()]}")
    return lines


def _pins_lines(group, folder) -> list[str]:
    found = tables.read(folder / "pins.parquet", "pins").to_pandas()
    truth = pd.read_csv(TRUTH / f"pins-{group.build_day}.csv")
    both = found.merge(truth[["pin_id", "offset_s", "misplaced"]], on="pin_id", suffixes=("", "_true"))
    hit = both["misplaced"] & both["misplaced_true"]
    error_ms = 1e3 * (both["offset_s"] - both["offset_s_true"])[hit]
    n_called, n_true = int(both["misplaced"].sum()), int(both["misplaced_true"].sum())
    size = f"{np.sqrt((error_ms**2).mean()):.2f} ms" if len(error_ms) else "none"
    return [f"  pins: {hit.sum()} of {n_true} misplaced found, {n_called} called; offsets off by {size}"]


def _tempo_lines(config, group) -> list[str]:
    path = tables.path(config.results, "tempo", build_day=group.build_day, group=group.id)
    found = tables.read(path, "tempo").to_pandas()
    lines = []
    for name, part in found.groupby("recording"):
        truth = pd.read_csv(TRUTH / str(name) / "tempo.csv")
        expected = np.interp(part["time_s"], truth["time_s"], truth["tempo_bpm"])
        error = part["tempo_bpm"] / expected - 1
        over_bar = np.convolve(error, np.full(8, 1 / 8), "valid")
        inside = np.abs(part["tempo_bpm"] - expected) <= 1.96 * part["tempo_se"]
        half, bar = (1e2 * np.sqrt((one**2).mean()) for one in (error, over_bar))
        held = 1e2 * inside.mean()
        lines.append(f"  tempo {name}: error {half:.2f} %, over a bar {bar:.2f} %, 95 % intervals hold {held:.0f} %")
    return lines


def _shafts_lines(group, folder) -> list[str]:
    found = tables.read(folder / "shafts.parquet", "shafts").to_pandas()
    truth = pd.read_csv(TRUTH / group.recordings[0].recording / "shafts.csv")
    said = [f"{row.shaft} {row.order:.2f} {1e3 * row.amplitude_s:.2f} ms" for row in truth.itertuples()]
    calls = [f"{row.shaft or '?'} {row.order:.2f} {1e3 * row.amplitude_s:.2f} ms" for row in found.itertuples()]
    return [f"  shafts: true {', '.join(said)}; found {', '.join(calls) or 'none'}"]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
