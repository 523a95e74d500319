"""Say how a crew kept to the click: only where it followed it.

A crew that follows is late and early by turns and comes back; one that runs freely, even at nearly the click's tempo,
drifts, and nothing brings it back. Told apart on the means of bars: a pull towards the click is shown by the test for a
unit root with one lag (Dickey & Fuller 1979; Said & Dickey 1984, from memory), pooled over the takes, its chance level
from random walks of the same lengths. A take without such a pull that drifts or goes more than half a beat away did not
follow. Where neither is shown, nothing is said of following.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from pipeline import words
from pipeline.report.results import Found

FEWEST_BARS = 12  # of a run, below which a pull would not show
LOST_BEATS = 0.5  # from here on the next click is nearer than the one that was meant
PULLED_CHANCE = 0.01  # chance at which a crew that ignores the click is called pulled by it
N_WALKS = 999  # that tell what chance makes
STEP_BACK = 1e-9  # of the statistic: no walk is exactly as extreme


@dataclass(frozen=True)
class Kept:
    """How the takes of a group with a click kept to it."""

    n_takes: int
    lost: tuple[str, ...]  # recordings that did not follow
    is_pulled: bool  # the others are shown to follow
    spread_s: float  # of the others around the click, from here on
    offset_s: float
    offset_se: float

    @property
    def all_lost(self) -> bool:
        """Tell whether no take followed."""
        return len(self.lost) == self.n_takes


def kept(found: Found) -> Kept | None:
    """Return how a group kept to the click; None where there was none, or no take is long enough to tell."""
    takes = found.used.dropna(subset=["click_offset_s", "late_sd_s"]).set_index("recording")
    beat_s = 60 / takes["tempo_bpm"].astype(float)
    runs = {name: runs_of(found.lateness[found.lateness["recording"] == name]) for name in takes.index}
    runs = {name: some for name, some in runs.items() if some}
    if not runs:
        return None
    lost = tuple(name for name, some in runs.items() if _goes_away(some, LOST_BEATS * beat_s[name]))
    others = [name for name in runs if name not in lost]
    spread_s = offset_s = offset_se = np.nan
    if others:
        spread_s = float(np.sqrt(np.mean(takes.loc[others, "late_sd_s"].astype(float) ** 2)))
        offset_s = float(takes.loc[others, "click_offset_s"].mean())
        offset_se = _mean_se([run for name in others for run in runs[name]])
    pulled = bool(others) and pull_chance([run for name in others for run in runs[name]]) <= PULLED_CHANCE
    return Kept(len(runs), lost, pulled, spread_s, offset_s, offset_se)


def said(found: Found) -> str:
    """Say how the group kept to the click; '' where there was none."""
    how = kept(found)
    if how is None:
        return ""
    if how.all_lost:
        return f"The crew did not follow the click: {_away(found, how.lost)}."
    opening = ""
    if how.lost:
        opening = f"In {len(how.lost)} of {words.count(how.n_takes, 'take')} the crew did not follow the click "
        opening += f"({words.joined(list(how.lost)[:3])}). In the others: "
    if not how.is_pulled:
        moves = f"against the click it moves {words.spread(words.milliseconds(how.spread_s))}"
        moves += "; whether the crew followed the click these takes cannot tell"
    else:
        moves = f"around the click it moves {words.spread(words.milliseconds(how.spread_s))}; "
        if abs(how.offset_s) > words.SURELY * how.offset_se:
            moves += f"that it lies {words.late(how.offset_s, how.offset_se)} on the whole is no fault of the machine"
        else:
            moves += "on the whole it lies neither early nor late"
    return opening + (moves if opening else words.capital(moves)) + "."


def runs_of(lateness: pd.DataFrame) -> list[np.ndarray]:
    """Return the lateness against the click by bars, one row for each stretch without a stall.

    Only what all strikers share: their own delays and scatter are no matter of the crew.
    """
    shared = lateness.assign(shared_s=lateness["motion_s"] + lateness["load_s"] + lateness["shaft_s"])
    bars = shared.groupby(["segment", "playthrough", "bar"], sort=True)["shared_s"].mean()
    runs = [run.to_numpy(float) for _, run in bars.groupby("segment")]
    return [run for run in runs if len(run) >= FEWEST_BARS]


def pull_chance(runs: list[np.ndarray]) -> float:
    """Return how often random walks as long as the runs would seem pulled back as much as these."""
    chance = _of_walks(tuple(len(run) for run in runs))
    return float((1 + np.sum(chance <= _pull(runs) + STEP_BACK)) / (1 + len(chance)))


@lru_cache(maxsize=64)
def _of_walks(lengths: tuple[int, ...]) -> np.ndarray:
    chance = np.random.default_rng(len(lengths))
    return np.array([_pull([np.cumsum(chance.normal(size=n)) for n in lengths]) for _ in range(N_WALKS)])


def _pull(runs: list[np.ndarray]) -> float:
    """Return Student's t of the return: step = −pull × place + lag × step before; each run about its own mean."""
    columns = []
    for run in runs:
        step = np.diff(run)
        one = np.stack([run[1:-1], step[:-1], step[1:]])
        columns.append(one - one.mean(axis=1, keepdims=True))
    place, before, step = np.concatenate(columns, axis=1)
    normal = np.array([[place @ place, place @ before], [place @ before, before @ before]])
    if np.linalg.cond(normal) > 1e12:
        return 0.0  # a take that never moves is pulled by nothing
    solved = np.linalg.solve(normal, [place @ step, before @ step])
    rest = step - solved[0] * place - solved[1] * before
    variance = rest @ rest / (len(step) - 2 - len(runs)) * np.linalg.inv(normal)[0, 0]
    return float(solved[0] / np.sqrt(variance)) if variance > 0 else 0.0


def _goes_away(runs: list[np.ndarray], far_s: float) -> bool:
    """Tell whether a take drifts, or goes at some place, further than `far_s`, and no pull brings it back."""
    drift_s = max(abs(np.polyfit(np.arange(len(run)), run, 1)[0]) * (len(run) - 1) for run in runs)
    away_s = max(np.abs(run - np.median(run)).max() for run in runs)
    return bool(max(drift_s, away_s) > far_s) and pull_chance(runs) > PULLED_CHANCE


def _mean_se(runs: list[np.ndarray]) -> float:
    """Return the error of the mean of all runs: what is alike from bar to bar counts for less (a first-order chain)."""
    own = []
    for run in runs:
        apart = run - run.mean()
        alike = np.clip(apart[1:] @ apart[:-1] / max(apart @ apart, 1e-30), 0.0, 0.95)
        own.append(np.var(run, ddof=1) / len(run) * (1 + alike) / (1 - alike))
    return float(np.sqrt(np.sum(own)) / len(own))


def _away(found: Found, lost: tuple[str, ...]) -> str:
    """Say what shows that takes did not follow: another tempo where it is plain, else how far they went away."""
    rows = found.lateness[found.lateness["recording"].isin(lost)]
    played, click = [], []
    for _, run in rows.groupby(["recording", "segment"]):
        if run["bar"].nunique() >= FEWEST_BARS:
            bpm = float(found.used.set_index("recording").loc[run["recording"].iloc[0], "tempo_bpm"])
            # Late by so much more in each second: the click has gone so much further than the machine.
            played.append(bpm)
            click.append(bpm / (1 - np.polyfit(run["hit_s"], run["late_s"], 1)[0]))
    far_s = max(float(np.ptp(one)) for name in lost for one in runs_of(rows[rows["recording"] == name]))
    written = [words.tempo(round(float(np.mean(bpm)))) for bpm in (played, click)]
    if written[0] != written[1]:
        return f"it played {written[0]}, the click {words.tempo(round(float(np.mean(click))), unit=False)}"
    return f"in a take it drifts from it by {words.milliseconds(far_s)}"
