"""Find strikers that are late as a whole row, and count what a listener would no longer notice without it.

A strike falls when the pin reaches the lever: t = (lever − pin) / surface speed. A late lever goes backward, to meet
the pin sooner.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from pipeline import words
from pipeline.words import SURELY
from pipeline.worklist import rates
from pipeline.worklist.candidate import AT_THE_LEVER, CERTAIN, Candidate, Gain, Job, move
from pipeline.worklist.group_data import GroupData
from pipeline.worklist.noticed_faults import felt_again, fewer_faults, spread_won_s

TOLD = 2 * np.log(19)  # twice the log of the odds from which a place is told from a delay: 95 %
SLOWER = 0.2  # by which a take is slower that is to tell a place from a delay: never faster than it ran already
# The slow motion and the pins take part of what such takes tell: errors are 1.3 to 1.6 times those by scatter alone
# (simulated, tests/test_worklist_place.py).
ALSO_TAKEN = 1.6
MOST_SLOWER = 4  # takes that are asked for: more is no day's work


@dataclass(frozen=True, eq=False)
class Late:
    """A row against the middle one of all."""

    striker: tuple  # its row of the table
    late_s: float
    late_se: float


def delays(heard: GroupData) -> list[Candidate]:
    """Return the family of strikers against the middle one: a whole row late is one job.

    The delays are against the mean of all, which a late striker moves too; what is to be mended is the distance from
    the middle one (of two, the later one is late). A striker that is alone has nothing to be late against.
    """
    strikers = heard.strikers[heard.strikers["delay_se"] > 0].sort_values(["delay_s", "striker"])
    if len(strikers) < 2:
        return []
    middle = strikers.iloc[(len(strikers) - 1) // 2]
    others = strikers[strikers["striker"] != middle["striker"]]
    delay_s = (others["delay_s"] - middle["delay_s"]).to_numpy()
    se, middle_se = others["delay_se"].to_numpy(), middle["delay_se"]
    # Errors of delays that add up to zero: each two are correlated by −1/(n − 1).
    delay_se = np.sqrt(se**2 + middle_se**2 + 2 * se * middle_se / (len(strikers) - 1))
    q_values = rates.q_values(2 * stats.norm.sf(np.abs(delay_s) / delay_se))
    rows = [
        Late(striker, float(late_s), float(se_s)) if q <= 1 - CERTAIN else None
        for q, striker, late_s, se_s in zip(q_values, others.itertuples(), delay_s, delay_se, strict=True)
    ]
    jobs = _in_turn(heard, middle, [row for row in rows if row is not None])
    return [Candidate(q, jobs.get(row and row.striker.striker)) for q, row in zip(q_values, rows, strict=True)]


def in_even_rows(heard: GroupData, late_rows: list[tuple[str, float]]) -> GroupData:
    """Return the group as if the rows that stand on the list themselves were in time: they would hide pins beside them.

    Parameters
    ----------
    late_rows : list of (striker, how late it is in s)
    """
    strikes = heard.strikes
    removed_s = strikes["striker"].map(dict(late_rows)).fillna(0.0).to_numpy()
    felt_s, limit_s = felt_again(strikes, removed_s)
    straight_s = strikes["straight_s"] - removed_s
    return replace(heard, strikes=strikes.assign(felt_s=felt_s, noticed_from_s=limit_s, straight_s=straight_s))


def _in_turn(heard, middle, rows) -> dict[str, Job]:
    """Return the job of each late row: the one that wins most first, and each counted with those before it mended.

    A row far out makes a listener's beat so unsure that the next one's lateness passes.
    """
    jobs, after = {}, np.inf
    while rows:
        made = [(_delay(heard, row, middle, after), row) for row in rows]
        made = [(job, row) for job, row in made if job is not None]
        if not made:
            break
        job, best = max(made, key=lambda one: one[0].gain.noticed)
        jobs[best.striker.striker], after = job, min(after, job.gain.noticed)
        rows = [row for _, row in made if row is not best]
        heard = in_even_rows(heard, [(job.where, job.late_s)])
    return jobs


def _cause(striker, middle, late_s, late_se) -> str:
    """Tell by how the delay changes with the speed whether it is one of 'place' or 'time'; '' where that is not told.

    A lever out of place costs time as 1/speed: per unit of relative pace the whole of `late_s`. A delay of its own
    costs the same at every tempo. Told is what is 19 times as likely as the other, and fits.
    """
    more_s = striker.delay_by_pace_s - middle["delay_by_pace_s"]
    more_se = np.hypot(striker.delay_by_pace_se, middle["delay_by_pace_se"])
    if not np.isfinite(more_se) or more_se <= 0:
        return ""
    away = {"place": ((more_s - late_s) / np.hypot(more_se, late_se)) ** 2, "time": (more_s / more_se) ** 2}
    likely, other = sorted(away, key=away.get)
    told = away[other] - away[likely] > TOLD and away[likely] <= SURELY**2
    return likely if told else ""


def _slower_takes(heard, late_s, striker, middle) -> int:
    """Return how many takes SLOWER would tell a lever's place from a delay nine times in ten; 0: not even MOST_SLOWER.

    By n takes and k slower ones, the change per unit of relative pace has the error of the two strikers' means in a
    take, times sqrt(1/n + 1/k), over the change of the pace. With r = late_s over it, the two differ by r² + 2 r N(0,
    1) where TOLD is asked for.
    """
    n_takes = heard.strikes["recording"].nunique()
    per_take = np.array([striker.n_played, middle["n_played"]]) / n_takes
    scatter_s = np.array([striker.rest_sd_s, middle["rest_sd_s"]], dtype=float)
    if not np.isfinite(striker.delay_by_pace_se) or not np.isfinite(scatter_s).all() or not per_take.all():
        return 0
    change = (1 / (1 - SLOWER) - 1) / ALSO_TAKEN
    apart = stats.norm.isf(0.1) + np.sqrt(stats.norm.isf(0.1) ** 2 + TOLD)
    for number in range(1, MOST_SLOWER + 1):
        error = np.sqrt((scatter_s**2 / per_take).sum() * (1 / n_takes + 1 / number)) / change
        if abs(late_s) > apart * error:
            return number
    return 0


def _asked(number: int) -> str | None:
    """Propose the takes that would tell a place from a delay; None for none."""
    takes = "one take" if number == 1 else f"{number} takes"
    return f"{takes} about {words.percent(SLOWER, digits=0)} slower would tell which" if number else None


def _delay(heard, row, middle, after) -> Job | None:
    striker, late_s, late_se = row.striker, row.late_s, row.late_se
    own = (heard.strikes["striker"] == striker.striker).to_numpy()
    if not own.any():
        return None
    correction, move_mm, to_be_sure = _correction(heard, striker, middle, late_s, late_se)
    if not correction:
        return None
    return Job(
        part="striker",
        where=striker.striker,
        finding=f"strikes {words.milliseconds(abs(late_s), late_se)} {'later' if late_s > 0 else 'earlier'} than the "
        "middle one of all strikers",
        correction=correction,
        effort=AT_THE_LEVER,
        gain=row_gain(heard, striker, np.where(own, late_s, 0.0), late_se / abs(late_s)),
        correction_mm=move_mm,
        to_be_sure=to_be_sure,
        late_s=late_s,
        after=after,
        mends="delay",
    )


def row_gain(heard: GroupData, striker, removed_s, error: float) -> Gain:
    """Return what a striker's row wins in a playthrough when `removed_s` comes off the strikes.

    Parameters
    ----------
    error : float
        Standard error of `removed_s`, as a share of it.
    """
    won, se = fewer_faults(heard.strikes, removed_s)
    ends = [fewer_faults(heard.strikes, (1 + side * SURELY * error) * removed_s)[0] for side in (-1, 1)]
    # Of the row's strikes that were heard: a playthrough has n_notes of them.
    per_playthrough = striker.n_notes / heard.strikes.loc[heard.strikes["striker"] == striker.striker, "weight"].sum()
    below, above = won - min(*ends, won), max(*ends, won) - won
    low, high = won - np.hypot(SURELY * se, below), won + np.hypot(SURELY * se, above)
    noticed, low, high = (float(one * per_playthrough) for one in (won, low, high))
    return Gain(noticed, low, high, spread_won_s(heard.strikes, removed_s))


def _correction(heard, striker, middle, late_s, late_se) -> tuple[str, float | None, str | None]:
    """Return what to do, the move of the lever, and what to record next; '' where it is too fine to do."""
    cause = _cause(striker, middle, late_s, late_se)
    if cause == "time":
        return "mend its delay: it does not change with the tempo as the place of its lever would make it", None, None
    surface_mm_per_s = heard.surface_mm_per_s()
    move_mm = None if surface_mm_per_s is None else -late_s * surface_mm_per_s
    too_fine = move_mm is not None and abs(move_mm) < heard.machine.finest_move_mm
    if too_fine:
        told = f"mend its delay: {words.millimetres(abs(move_mm), digits=2)} at its lever are too fine to move"
        return ("" if cause == "place" else told), None, None
    told = move("its lever", move_mm, -late_s)
    if cause:
        return told, move_mm, None
    return f"{told}, or mend its delay", move_mm, _asked(_slower_takes(heard, late_s, striker, middle))
