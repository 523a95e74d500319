"""Find the load of the strikes: one job, when the drag of some striker is surely above zero.

What is won when no strike took any speed is counted; how much of that a change of the machine wins is not known, and is
not promised.
"""

import numpy as np
from scipy import stats

from pipeline import hearing, words
from pipeline.words import SURELY
from pipeline.worklist.candidate import AT_THE_LEVER, CERTAIN, Candidate, Gain, Job, times
from pipeline.worklist.group_data import GroupData
from pipeline.worklist.noticed_faults import fewer_faults, spread_won_s

MOST_NAMED = 3  # strikers that are named
IN_TURN = "two takes or more with it and two without it, on one day, show what it wins"
HEAVIER = (
    "what more inertia at the barrel would change is foreseen under 'Machine set-ups', where it can be; it stores more "
    "energy: guards, brake, shaft and fixings must be reconsidered by someone competent before it turns"
)


def load(heard: GroupData) -> list[Candidate]:
    """Return the family of one candidate: the drag furthest above zero, by as many chances as there are strikers."""
    strikers = heard.strikers[(heard.strikers["drag_se"] > 0) & (heard.strikers["n_played"] > 0)]
    if not len(strikers):
        return []
    p_values = np.minimum(1, len(strikers) * stats.norm.sf(strikers["drag"] / strikers["drag_se"]))  # Bonferroni
    return [Candidate(float(p_values.min()), _load(heard, strikers, strikers[p_values <= 1 - CERTAIN]))]


def _load(heard, strikers, sure) -> Job | None:
    cost = strikers["n_played"] * strikers["drag"]
    if not len(sure) or cost.sum() <= 0:
        return None
    # All errors to one side: more than they can be.
    half = SURELY * (strikers["n_played"] * strikers["drag_se"]).sum() / cost.sum()
    gain = _gain(heard, half)
    first = sure.assign(cost=cost).sort_values(["cost", "striker"], ascending=[False, True])["striker"]
    named = words.joined(list(first[:MOST_NAMED]))
    finding = (
        f"the load per strike slows the machine, surely that of {named}; if it cost no speed at all, "
        f"{times(gain.noticed)} fewer faults a playthrough would be noticed"
    )
    correction = f"try a lighter release, first at {named}; {HEAVIER}"
    return Job("load", "load per strike", finding, correction, AT_THE_LEVER, gain, to_be_sure=IN_TURN, mends="load")


def _gain(heard, half: float) -> Gain:
    """Return what is won without any load; `half`: half of the 95 % interval of the load, as a share of it."""
    strikes = heard.strikes
    load_s = strikes["load_s"].to_numpy()

    def won(part: float) -> tuple[float, float]:
        fewer, se = fewer_faults(strikes, part * load_s)
        bars = heard.bars_of_change() - heard.bars_of_change(part)
        return fewer + hearing.TEMPO_BAR_COUNTS * bars, se

    results = [won(part) for part in (1.0, max(0.0, 1 - half), 1 + half)]
    number, se = results[0]
    ends = [one for one, _ in results]
    low = number - np.hypot(number - min(ends), SURELY * se)
    high = number + np.hypot(max(ends) - number, SURELY * se)
    n_notes = heard.strikers.loc[heard.strikers["n_played"] > 0, "n_notes"].sum()
    per_playthrough = n_notes / strikes["weight"].sum()
    noticed, low, high = (float(one * per_playthrough) for one in (number, low, high))
    return Gain(noticed, low, high, spread_won_s(strikes, load_s))
