"""Find misplaced pins and late strikers, and count what a listener would no longer notice without them.

A strike falls when the pin reaches the lever: t = (lever − pin) / surface speed. A late pin goes forward, in the
direction of rotation; a late lever goes backward, to meet the pin sooner.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from pipeline import hearing, robust, words
from pipeline.words import SURELY
from pipeline.worklist import rates
from pipeline.worklist.candidate import CERTAIN, Candidate, Gain, Job, known, move, place, places
from pipeline.worklist.group_data import GroupData

TOLD = 2 * np.log(19)  # twice the log of the odds from which a place is told from a delay: 95 %
SLOWER = 0.2  # by which a take is slower that is to tell a place from a delay: never faster than it ran already
# The slow motion and the pins take part of what such takes tell: errors are 1.3 to 1.6 times those by scatter alone
# (simulated, tests/test_worklist_place.py).
ALSO_TAKEN = 1.6
MOST_SLOWER = 4  # takes that are asked for: more is no day's work


def pins(heard: GroupData, mended: bool) -> list[Candidate]:
    """Return the family of pins: those that were called misplaced are jobs.

    Parameters
    ----------
    mended : bool
        Count as if no striker were late: those that are stand on the list themselves, and would hide pins that are late
        beside them.
    """
    if mended:
        strikes = heard.strikes
        heard = replace(heard, strikes=strikes.assign(felt_s=strikes["felt_s"] - strikes["felt_striker_s"]))
    scatter_s = _scatter_s(heard)
    tested = heard.pins[heard.pins["q_value"] < 1]
    return [
        Candidate(pin.q_value, _pin(heard, pin, scatter_s) if pin.misplaced else None) for pin in tested.itertuples()
    ]


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
    rows = zip(q_values, others.itertuples(), delay_s, delay_se, strict=True)
    return [
        Candidate(q, _delay(heard, one, middle, late_s, se_s) if q <= 1 - CERTAIN else None)
        for q, one, late_s, se_s in rows
    ]


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


def counted(strikes: pd.DataFrame, mended_s) -> tuple[float, float]:
    """Return by how many fewer strikes are noticed, as a share of `strikes`, and the standard error.

    Strikes that are not judged count as not noticed. Each strike that changes sides is one event (McNemar 1947); when
    playthroughs differ by more than that, their own variance counts.

    Parameters
    ----------
    mended_s : array, shape=(n,)
        `felt_s` after mending.
    """
    limit_s, weight = strikes["noticed_from_s"].to_numpy(), strikes["weight"].to_numpy()
    won = weight * (np.abs(strikes["felt_s"].to_numpy()) > limit_s)
    won = won - weight * (np.abs(np.asarray(mended_s)) > limit_s)
    by_playthrough = pd.Series(won).groupby([strikes["recording"].to_numpy(), strikes["playthrough"].to_numpy()]).sum()
    variance = (won**2).sum()
    if len(by_playthrough) > 1:
        variance = max(variance, len(by_playthrough) * by_playthrough.var())
    return float(won.sum() / weight.sum()), float(np.sqrt(variance) / weight.sum())


def spread_won_s(strikes: pd.DataFrame, mended_s) -> float:
    """Return the standard deviation of `felt_s` less that of `mended_s`; 0 for fewer than two felt strikes."""
    before_s, mended_s = strikes["felt_s"].to_numpy(), np.asarray(mended_s)
    felt = ~np.isnan(before_s)
    if felt.sum() < 2:
        return 0.0
    return float(before_s[felt].std(ddof=1) - mended_s[felt].std(ddof=1))


def _scatter_s(heard) -> float:
    """Return the spread of what differs from take to take in `felt_s`: crew and scatter, robust against freak hits."""
    other_s = (heard.strikes["felt_motion_s"] + heard.strikes["felt_rest_s"]).dropna()
    return float(robust.SD_OF_MAD * (other_s - other_s.median()).abs().median()) if len(other_s) else 0.0


def _pin(heard, pin, scatter_s) -> Job | None:
    move_mm = known(pin.offset_mm)
    if move_mm is not None and abs(move_mm) < heard.machine.finest_move_mm:
        return None
    notes = heard.notes_of(pin.pin_id)
    return Job(
        part="pin",
        where=place(pin.striker, pin.bar, pin.beat_in_bar),
        finding=f"pin is {words.late(pin.offset_s, pin.offset_se)}",
        correction=move("it", move_mm, pin.offset_s),
        gain=_pin_gain(heard, pin, notes, scatter_s),
        correction_mm=move_mm,
        places=places(notes, move_mm),
    )


def _pin_gain(heard, pin, notes, scatter_s) -> Gain:
    """Return what moving a pin by `offset_s` wins.

    A pin has few strikes, and one of them may be another's: how often it is noticed comes from where they lie on the
    median and from what all strikes differ by from take to take. A strike that is not judged is noticed when the pin's
    own offset exceeds what is let pass after the written gap.
    """
    strikes = heard.strikes
    own = strikes["pin_id"] == pin.pin_id
    judged = strikes[own & strikes["felt_s"].notna() & strikes["noticed_from_s"].notna()]
    limit_s = judged["noticed_from_s"].to_numpy()
    gap_s = notes.set_index("note_id")["gap_s"].reindex(strikes.loc[own, "note_id"].drop(judged.index)).to_numpy()
    unjudged_limit_s = hearing.noticed_from_s(gap_s)

    def won(error_s: float) -> float:
        """Return the share of its strikes that are noticed no more, when all lie by `error_s` later than measured."""
        at_s = judged["felt_s"].median() + error_s
        less = _noticed(at_s, scatter_s, limit_s) - _noticed(at_s - pin.offset_s, scatter_s, limit_s)
        by_offset = _noticed(pin.offset_s + error_s, 0.0, unjudged_limit_s)
        return float(np.concatenate([less, by_offset]).mean())

    share = [won(error_s) for error_s in (0.0, -SURELY * pin.offset_se, SURELY * pin.offset_se)]
    mended_s = strikes["felt_s"] - np.where(own, pin.offset_s, 0.0)
    noticed, low, high = (len(notes) * one for one in (share[0], min(share), max(share)))
    return Gain(noticed, low, high, spread_won_s(strikes, mended_s))


def _asked(number: int) -> str:
    """Propose the takes that would tell a place from a delay; '' for none."""
    takes = "one take" if number == 1 else f"{number} takes"
    return f" ({takes} about {words.percent(SLOWER, digits=0)} slower would tell which)" if number else ""


def _noticed(at_s, scatter_s, limit_s) -> np.ndarray:
    """Return the chance that N(at_s, scatter_s) lies beyond ±limit_s."""
    scatter_s = max(scatter_s, 1e-9)
    return stats.norm.sf((limit_s - at_s) / scatter_s) + stats.norm.cdf((-limit_s - at_s) / scatter_s)


def _delay(heard, striker, middle, late_s, late_se) -> Job | None:
    own = heard.strikes["striker"] == striker.striker
    strikes = heard.strikes[own]
    if not len(strikes):
        return None
    cause = _cause(striker, middle, late_s, late_se)
    share, se = counted(strikes, strikes["felt_s"] - late_s)
    half = SURELY * se
    noticed, low, high = (float(striker.n_notes * one) for one in (share, share - half, share + half))
    mended_s = heard.strikes["felt_s"] - np.where(own, late_s, 0.0)
    surface_mm_per_s = heard.surface_mm_per_s()
    move_mm = None if surface_mm_per_s is None else -late_s * surface_mm_per_s
    correction = move("its lever", move_mm, -late_s)
    if cause == "time":
        correction, move_mm = (
            "mend its delay: it does not change with the tempo as the place of its lever would make it",
            None,
        )
    elif not cause:
        correction += ", or mend its delay" + _asked(_slower_takes(heard, late_s, striker, middle))
    if move_mm is not None and abs(move_mm) < heard.machine.finest_move_mm:
        if cause == "place":
            return None
        correction = f"mend its delay: {words.millimetres(abs(move_mm), digits=2)} at its lever are too fine to move"
        move_mm = None
    return Job(
        part="striker",
        where=striker.striker,
        finding=f"strikes {words.milliseconds(abs(late_s), late_se)} {'later' if late_s > 0 else 'earlier'} than the "
        "middle one of all strikers",
        correction=correction,
        gain=Gain(noticed, low, high, spread_won_s(heard.strikes, mended_s)),
        correction_mm=move_mm,
    )
