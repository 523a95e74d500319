"""Find strikers that come late in company or soon after their own last strike: one job each, with the test that tells.

In company: when others fire within COMPANY_S. The two are one job, for the same takes show both, and one strike may
suffer from both.
"""

import numpy as np
from scipy import stats

from pipeline import words
from pipeline.worklist import rates
from pipeline.worklist.candidate import AT_THE_LEVER, CERTAIN, NEW_PART, Candidate, Job
from pipeline.worklist.displaced import row_gain
from pipeline.worklist.group_data import GroupData
from pipeline.worklist.missed import SOONER

COMPANY_S = 0.015  # of the model of timing (DESIGN, section 6)
LIGHTER = "give it a lighter release, or a stiffer seat"


def company(heard: GroupData) -> list[Candidate]:
    """Return the family of what holds a striker up: company and readiness of each, whichever is surer."""
    strikers = heard.strikers[(heard.strikers["company_se"] > 0) | (heard.strikers["readiness_se"] > 0)]
    if not len(strikers):
        return []
    p_values = np.column_stack([_p_value(strikers, name) for name in ("company", "readiness")])
    q_values = rates.q_values(np.minimum(1, 2 * p_values.min(axis=1)))  # Bonferroni, of the two
    # What is named beside the surer one must be sure by itself.
    sure = p_values <= (1 - CERTAIN) / 2 / len(strikers)
    rows = zip(q_values, sure, strikers.itertuples(), strict=True)
    return [Candidate(q, _job(heard, one, *named) if named.any() else None) for q, named, one in rows]


def _p_value(strikers, name) -> np.ndarray:
    """Return the chance of so much delay when there is none; 1 where that is not known."""
    z = strikers[f"{name}_s"].to_numpy(dtype=float) / strikers[f"{name}_se"].to_numpy(dtype=float)
    return np.where(np.isfinite(z), stats.norm.sf(np.where(np.isfinite(z), z, 0.0)), 1.0)


def _job(heard, striker, in_company, unready) -> Job | None:
    own = (heard.strikes["striker"] == striker.striker).to_numpy()
    if not own.any():
        return None
    # The delay itself is the same for all its strikes: what differs is company and readiness.
    removed_s = np.where(own, heard.strikes["striker_s"] - striker.delay_s, 0.0)
    found, cures, tests, errors = [], [], [], []
    for holds, size_s, se_s, said, cure, test in (
        (in_company, striker.company_s, striker.company_se, "{} later when one other fires with it", LIGHTER, _alone),
        (
            unready,
            striker.readiness_s,
            striker.readiness_se,
            "up to {} later soon after its own last strike",
            SOONER,
            _rested,
        ),
    ):
        if holds:
            found.append(said.format(words.milliseconds(size_s, se_s)))
            cures.append(cure)
            errors.append(se_s / size_s)
            tests += test(heard, striker.striker)
    return Job(
        part="striker",
        where=striker.striker,
        finding=f"strikes {' and '.join(found)}",
        correction="; ".join(cures),
        effort=NEW_PART if unready else AT_THE_LEVER,
        gain=row_gain(heard, striker, removed_s, max(errors)),
        to_be_sure="; ".join(tests) or None,
        mends="company",
    )


def _alone(heard, name: str) -> list[str]:
    """Name the test of company: where most others fire with the striker, it fires without them."""
    notes = heard.notes.sort_values("score_s")
    own, others = notes[notes["striker"] == name], notes[notes["striker"] != name]["score_s"].to_numpy()
    first, last = (np.searchsorted(others, own["score_s"] + side) for side in (-COMPANY_S, COMPANY_S))
    n_others = last - first
    if not len(own) or n_others.max() == 0:
        return []
    at = own.iloc[int(n_others.argmax())]
    lifted = "the other lifted" if n_others.max() == 1 else f"the other {n_others.max()} lifted"
    where = words.place(at["bar"], at["beat_in_bar"])
    return [f"fire {name} alone at {where} with {lifted}: if it is on time then, the others hold it up"]


def _rested(heard, name: str) -> list[str]:
    """Name the test of readiness: where the striker follows itself soonest, it is held off the strike before."""
    own = heard.notes[heard.notes["striker"] == name].sort_values("score_s")
    if len(own) < 2:
        return []
    at = int(np.round(np.diff(own["score_s"]), 6).argmin())
    before, after = (words.place(row.bar, row.beat_in_bar) for row in own.iloc[at : at + 2].itertuples())
    return [f"lift {name} over {before}: if it is on time at {after} then, it is not ready again so soon"]
