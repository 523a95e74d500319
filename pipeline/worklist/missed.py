"""Find missed, double and stray strikes: of a pin, of a striker, or of all strikers alike.

Each is tested against the others: a pin or a striker is a job only where it stands out, and what the rest have in
common is one job. A cause is named only where it was tested: the pattern of the misses, the bounce of a double strike.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline import hearing, words
from pipeline.worklist import rates
from pipeline.worklist.candidate import (
    AT_THE_BARREL,
    AT_THE_LEVER,
    CERTAIN,
    IN_THE_RECORDINGS,
    NEW_PART,
    Candidate,
    Gain,
    Job,
    place,
)
from pipeline.worklist.group_data import GroupData
from pipeline.worklist.places import places

SHARED_RATE = 0.01  # what all strikers share is a job only when it is surely more often; our own choice
LOOK_AT_THE_PIN = "look at this pin: bent, worn or loose"
NO_CAUSE = "their cause is not known: listen to some of them in the recordings before you change anything"
SOONER = "make it ready sooner: a stronger return, or a shorter way"
DAMP = "damp the rebound: a softer stop, or a catch"
LOOK_AT_ALL = "look for what they share: the depth of the pins, the barrel's gap to the levers"
DAMP_ALL = "damp the rebound: look for what they share, the stops and what these are fixed to"
# Where the work is, by what is to do.
EFFORTS = dict.fromkeys((LOOK_AT_THE_PIN, LOOK_AT_ALL), AT_THE_BARREL)
EFFORTS |= dict.fromkeys((SOONER, DAMP, DAMP_ALL), NEW_PART) | {NO_CAUSE: IN_THE_RECORDINGS}
# How the two numbers of each kind of fault are said.
MISSED = "{:.0f} of {:.0f} strikes missed"
BOUNCED = "{:.0f} double strikes beside {:.0f} played, weaker and soon after: bounces"
STRAY = "{:.0f} double or stray strikes beside {:.0f} played, no bounces"
UNTOLD = "{:.0f} double or stray strikes beside {:.0f} played; without levels bounces cannot be told"
# By the pattern of the misses: what is found further, and the cure.
PATTERNS = {
    "short gaps": ("; they come after short gaps", SOONER),
    "company": ("; they come when others fire with it", "try a lighter release for it"),
    "low speed": ("; they come when the machine is slow", "try a lighter release for it"),
}
NO_PATTERN = ("", "look at its lever's bearing and its engagement with the pins")


@dataclass(frozen=True)
class Varied:
    """How much more takes and pins vary than chance.

    Parameters
    ----------
    phi, freedom : float
        Dispersion of one striker against the others, and its degrees of freedom.
    together : float
        Dispersion of all strikers together.
    """

    phi: float = 1.0
    freedom: float = np.inf
    together: float = 1.0


@dataclass(frozen=True, eq=False)
class Fault:
    """One kind of fault of all strikers.

    Parameters
    ----------
    failed, tried : np.ndarray, shape=(n_strikers,)
    varied : Varied
    said : str
        How the two numbers are said.
    shared : str
        What to do when all share it.
    cure : callable
        From a striker's row of the table to what is found further and what to do about it.
    counts : np.ndarray, shape=(n_strikers,)
        Noticed faults that one fewer wins.
    by_time : bool
        It may come with the time as well as with the strikes: only who has more by both stands out.
    """

    failed: np.ndarray
    tried: np.ndarray
    varied: Varied
    said: str
    shared: str
    cure: Callable[[tuple], tuple[str, str]]
    counts: np.ndarray
    by_time: bool = False

    def p_value(self) -> np.ndarray:
        """Return, for each striker, the chance of failing so much more often than the others."""
        phi, freedom = self.varied.phi, self.varied.freedom
        by_strike = rates.above_others(self.failed, self.tried, phi, freedom)
        if not self.by_time:
            return by_strike
        return np.maximum(by_strike, rates.above_others(self.failed, np.sign(self.tried), phi, freedom))

    def stands_out(self) -> np.ndarray:
        """Return which strikers may stand out: they are no measure for the others."""
        return rates.q_values(self.p_value()) <= 1 - CERTAIN

    def sums(self, some, phi: float) -> tuple[float, float]:
        """Return what some strikers failed and tried together, as effective counts."""
        return self.failed[some].sum() / phi, self.tried[some].sum() / phi


def families(heard: GroupData) -> dict[str, list[Candidate]]:
    """Return the families of candidates: strikers, and what all strikers share."""
    strikers = heard.strikers[heard.strikers["n_played"] + heard.strikers["n_missed"] > 0]
    faults = _faults(heard, strikers) if len(strikers) else []
    several = len(strikers) > 1
    single = [job for fault in faults for job in _single(strikers, fault)] if several else []
    q_values = rates.q_values([fault_p for fault in faults for fault_p in fault.p_value()]) if several else []
    together = [_together(strikers, fault) if several else _alone(strikers, fault) for fault in faults]
    p_together = [rates.above(*_rest(fault), SHARED_RATE) for fault in faults]
    return {
        "strikers": [Candidate(q, job) for q, job in zip(q_values, single, strict=True)],
        "together": [Candidate(q, job) for q, job in zip(rates.q_values(p_together), together, strict=True)],
    }


def pins(heard: GroupData) -> list[Candidate]:
    """Return the family of pins that are missed more often than the other pins of their striker."""
    tested = heard.pins[heard.pins["miss_q_value"] < 1]
    return [
        Candidate(pin.miss_q_value, _pin(heard, tested.iloc[[at]]) if _fails(pin) else None, pin.pin_id)
        for at, pin in enumerate(tested.itertuples())
    ]


def together(heard: GroupData, pin_ids: list[int]) -> Job:
    """Return the one job of several pins that are missed: pins miss apart from one another, so their gains add up."""
    out = heard.pins[heard.pins["pin_id"].isin(pin_ids)]
    gains = [_pin(heard, out.iloc[[at]]).gain for at in range(len(out))]
    noticed = sum(gain.noticed for gain in gains)
    below, above = (
        float(np.sqrt(sum((getattr(gain, end) - gain.noticed) ** 2 for gain in gains))) for end in ("low", "high")
    )
    tried = out["n_failed"].sum() + out["n_struck"].sum()
    return Job(
        part="pin",
        where=words.count(len(out), "pin"),
        finding=f"missed {out['n_failed'].sum()} of {tried} times, more often than the other pins of their strikers",
        correction="look at these pins: bent, worn or loose; list on the work sheet",
        effort=AT_THE_BARREL,
        gain=Gain(noticed, noticed - below, noticed + above, missed=noticed),
        places=places(heard, out, moved=False),
        mends="missed",
    )


def _fails(pins):
    """Tell whether the misses of a pin (of each) may stand out: then they are its own, not its striker's."""
    return (pins.miss_q_value <= 1 - CERTAIN) & (pins.n_failed > 0)


def _pin(heard, out) -> Job | None:
    """Return the job of one pin, a frame of one row."""
    pin = next(out.itertuples())
    others = heard.pins[(heard.pins["striker"] == pin.striker) & ~_fails(heard.pins)]
    failed, tried = others["n_failed"].sum(), (others["n_failed"] + others["n_struck"]).sum()
    if not tried:
        return None
    own = (pin.n_failed, pin.n_failed + pin.n_struck)
    return Job(
        part="pin",
        where=place(pin.striker, pin.bar, pin.beat_in_bar),
        finding=f"missed {own[0]} of {own[1]} times; the other pins of its striker {words.percent(failed / tried)}",
        correction=LOOK_AT_THE_PIN,
        effort=AT_THE_BARREL,
        gain=_gain(
            len(heard.notes_of(pin.pin_id)) * _counts_struck(heard, pin.striker),
            rates.difference(*own, failed, tried),
        ),
        places=places(heard, out, moved=False),
        mends="missed",
    )


def _faults(heard, strikers) -> list[Fault]:
    """Return missed strikes, bounces, and double or stray strikes that are none."""
    fails = _fails(heard.pins)
    bad = heard.pins[fails].groupby("striker")[["n_failed", "n_struck"]].sum()
    bad = bad.reindex(strikers["striker"]).fillna(0).to_numpy()
    missed = strikers["n_missed"].to_numpy() - bad[:, 0]
    played = strikers["n_played"].to_numpy()
    tried = missed + played - bad[:, 1]
    # What a striker that never played has more than its notes is another one's.
    bounced = np.where(played > 0, strikers["n_rebound"], 0)
    stray = np.where(played > 0, strikers["n_extra"] - strikers["n_rebound"], 0)
    takes = heard.by_take[heard.by_take["striker"].isin(strikers["striker"])]
    takes = takes.assign(tried=takes["played"] + takes["missed"])
    # Hits that are a striker's own sound stand among the extra ones of a take and cannot be told apart there.
    clean = takes["striker"].isin(strikers.loc[strikers["n_sound"] == 0, "striker"])
    of_misses, of_extras = _varied(takes, "missed", "tried"), _varied(takes[clean], "extra", "played")
    # A pin that misses in one take misses in the next: that makes strikers differ, too.
    by_pins = _dispersion_of_pins(heard.pins[~fails]) - 1
    of_misses = Varied(of_misses.phi + by_pins, of_misses.freedom, of_misses.together + by_pins)
    said = STRAY if _has_levels(heard) else UNTOLD
    damp, unknown, one = ("", DAMP), ("", NO_CAUSE), np.ones(len(strikers))
    struck = np.array([_counts_struck(heard, name) for name in strikers["striker"]])
    return [
        Fault(missed, tried, of_misses, MISSED, LOOK_AT_ALL, lambda striker: _misses(heard, striker), struck),
        Fault(bounced, played, of_extras, BOUNCED, DAMP_ALL, lambda striker: damp, one),
        Fault(stray, played, of_extras, said, NO_CAUSE, lambda striker: unknown, one, by_time=True),
    ]


def _has_levels(heard) -> bool:
    """Tell whether every take knows how loud its strikes are: a list of hits may not, and a bounce is a weaker hit."""
    return bool(heard.strikes["level_db"].notna().groupby(heard.strikes["recording"]).any().all())


def _counts_struck(heard, striker: str) -> float:
    """Return the noticed faults that a strike wins which is no longer missed: it may be heard displaced instead.

    As often as those that its striker plays, or all strikers where it played none.
    """
    strikes = heard.strikes
    own = strikes[strikes["striker"] == striker]
    own = own if len(own) else strikes
    displaced = np.average(hearing.is_displaced(own), weights=own["weight"]) if len(own) else 0.0
    return hearing.MISSED_COUNTS - hearing.DISPLACED_COUNTS * float(displaced)


def _varied(takes: pd.DataFrame, failed: str, tried: str) -> Varied:
    """Return how much more the takes vary than chance."""
    wide = takes.pivot(index="recording", columns="striker", values=[failed, tried]).fillna(0)
    if wide.empty:
        return Varied()
    failed, tried = wide[failed].to_numpy(dtype=float), wide[tried].to_numpy(dtype=float)
    phi, freedom = rates.dispersion_between(failed, tried)
    return Varied(phi, freedom, max(phi, rates.dispersion_of_takes(failed.sum(axis=1), tried.sum(axis=1))))


def _dispersion_of_pins(pins: pd.DataFrame) -> float:
    """Return the variance of the misses between the pins of a striker over the binomial one, at least 1."""
    pins = pins.assign(tried=pins["n_failed"] + pins["n_struck"])
    sums = pins.groupby("striker")[["n_failed", "tried"]].transform("sum")
    expected = pins["tried"] * sums["n_failed"] / sums["tried"]
    some = sums["n_failed"] > 0
    freedom = int(some.sum()) - pins.loc[some, "striker"].nunique()
    return rates.dispersion(*(one[some].to_numpy() for one in (pins["n_failed"], expected, pins["tried"])), freedom)


def _misses(heard, striker) -> tuple[str, str]:
    """Say where the misses of a striker come, and what to do: only by a pattern that was tested."""
    if striker.miss_pattern != "one pin":
        return PATTERNS.get(striker.miss_pattern, NO_PATTERN)
    pins = heard.pins[(heard.pins["striker"] == striker.striker) & ~_fails(heard.pins)]
    pin = pins.loc[pins["n_failed"].idxmax()]
    return f"; they come at one pin, {words.place(pin['bar'], pin['beat_in_bar'])}", LOOK_AT_THE_PIN


def _single(strikers, fault) -> list[Job | None]:
    """Return a job for each striker that stands out: what it would win by being as good as the others."""
    out = fault.stands_out()
    others = fault.sums(~out, fault.varied.phi)
    jobs = []
    for at, striker in enumerate(strikers.itertuples()):
        if not out[at] or not others[1]:
            jobs.append(None)
            continue
        excess = rates.difference(*fault.sums([at], fault.varied.phi), *others)
        rate = fault.failed[at] / fault.tried[at]
        more, cure = fault.cure(striker)
        said = fault.said.format(fault.failed[at], fault.tried[at])
        finding = f"{said} ({words.percent(rate)}; the others {words.percent(others[0] / others[1])}){more}"
        jobs.append(_job(fault, striker.striker, finding, cure, _gain(striker.n_notes * fault.counts[at], excess)))
    return jobs


def _rest(fault) -> tuple[float, float]:
    """Return what the strikers failed and tried that do not stand out, as effective counts."""
    return fault.sums(~fault.stands_out(), fault.varied.together)


def _together(strikers, fault) -> Job | None:
    """Return the job of what all strikers share that do not stand out; None when fewer than half of them have it."""
    rest = ~fault.stands_out()
    concerned, n_rest = int((fault.failed[rest] > 0).sum()), int(rest.sum())
    if n_rest < 2 or 2 * concerned < n_rest:
        return None
    which = "strikers" if rest.all() else "other strikers"
    finding = f"{_rate_said(fault, rest)}, by {concerned} of {n_rest} {which}; none of them stands out"
    where = "all strikers" if rest.all() else "the other strikers"
    return _job(fault, where, finding, fault.shared, _whole_gain(strikers["n_notes"].to_numpy(), fault))


def _alone(strikers, fault) -> Job | None:
    """Return the job of the only striker."""
    striker = next(strikers.itertuples())
    if not fault.failed[0]:
        return None
    more, cure = fault.cure(striker)
    finding = _rate_said(fault, [True]) + more
    return _job(fault, striker.striker, finding, cure, _whole_gain(strikers["n_notes"].to_numpy(), fault))


def _job(fault, where, finding, cure, gain) -> Job:
    mends = "missed" if fault.said == MISSED else "double"
    return Job("striker", where, finding, cure, EFFORTS.get(cure, AT_THE_LEVER), gain, mends=mends)


def _rate_said(fault, some) -> str:
    failed, tried = fault.sums(some, 1.0)
    low, high = (words.percent(end) for end in rates.interval(*fault.sums(some, fault.varied.together)))
    return f"{fault.said.format(failed, tried)} ({words.percent(failed / tried)}; {low} to {high})"


def _whole_gain(n_notes, fault) -> Gain:
    failed, tried = _rest(fault)
    rest = ~fault.stands_out()
    return _gain((n_notes * fault.counts)[rest].sum(), (failed / tried, *rates.interval(failed, tried)))


def _gain(counted: float, excess: tuple[float, float, float]) -> Gain:
    """Return the gain by losing an excess rate (itself, its lower and upper end).

    `counted`: noticed faults in a playthrough when all its strikes failed.
    """
    noticed, low, high = (float(counted * rate) for rate in excess)
    return Gain(noticed, low, high, missed=noticed)
