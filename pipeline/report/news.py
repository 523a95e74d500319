"""Say what changed since the last build day, what to do next, and what was refused."""

from dataclasses import dataclass

import pandas as pd

from pipeline import words
from pipeline.report.results import Found, Results

MOST_JOBS = 3  # on the first screen (DESIGN, section 7)
LEAST_SPREAD_S = 0.00005  # less than a tenth of a millisecond would read as none
HANDS_ON = ("pin", "striker", "load", "shaft")  # parts at which hands go into the machine
CAUTION = words.CAUTION
HEAVIER_CAUTION = (
    "A heavier or faster wheel stores more energy: guards, brake, shaft and fixings must be reconsidered by someone "
    "competent before it turns."
)


@dataclass(frozen=True)
class Job:
    """One line of the work list in the reader's words."""

    rank: int
    part: str
    where: str
    finding: str
    correction: str
    effort: str
    to_be_sure: str  # what to record next, '' when nothing
    gain: str  # what it wins, '' when nothing
    certainty: str
    sure: bool


@dataclass(frozen=True)
class Refused:
    """A recording that could not be used."""

    recording: str
    day: str
    reason: str


def since(found: Found) -> str:
    """Say what changed against the group before: only with its verdict; '' when there is none before."""
    if found.before is None:
        return ""
    rows = found.trend[(found.trend["against"] == "previous") & found.trend["change"].notna()]
    if not len(rows):
        return ""
    opening = f"Since {before_said(found)}{_other_setup(found)}{_in_turn(rows)}"
    told = rows[rows["verdict"] != ""].set_index("quantity")
    if not len(told):
        return (
            f"{opening}: nothing yet to tell a change from chance; it needs two takes or more of one day, "
            "with nothing changed between them."
        )
    main = next((name for name in ("felt_sd_s", "steady_1") if name in told.index), told.index[0])
    also = told[(told.index != main) & told["verdict"].isin(["better", "worse"])]
    said = [f"{words.quantity_name(name)} {changed(name, row)}" for name, row in also.iterrows()]
    first = f"{opening}: {words.quantity_name(main)} {changed(main, told.loc[main])}"
    single = "With one take of a day its chance is taken from the other days." if found.n_fewest == 1 else ""
    return " ".join(filter(None, [words.sentence("; ".join([first, *said])), single, _confounded(found)]))


def changed(quantity: str, row: pd.Series) -> str:
    """Write one row of tables/trend with its verdict and the interval that it follows from; '' while there is none.

    Less is better in all quantities: the sign stands in the words, `better by 3.1 ms (2.1 to 4.1 ms)`.
    """
    if row["verdict"] == "":
        return ""
    low, high = row["change_low"], row["change_high"]
    if row["verdict"] in ("better", "worse"):
        size = words.quantity(quantity, abs(row["change"]))
        if not any(digit in size for digit in "123456789"):
            return f"{row['verdict']}, by less than can be written here"
        return f"{row['verdict']} by {size} ({words.between(quantity, *sorted((abs(low), abs(high))))})"
    if row["detectable"] >= row["value"] - row["change"] > 0:
        return "no clear change (so few takes would not show even a doubling)"
    better, worse = (words.quantity(quantity, abs(end)) for end in (low, high))
    # What lies inside the bracket is not ruled out: a change is seen surely from its ends on at the earliest.
    seen = words.quantity(quantity, max(row["detectable"], abs(low), abs(high)))
    return f"no clear change (between {better} better and {worse} worse; {seen} or more would have been seen)"


def jobs(found: Found) -> list[Job]:
    """Return the group's work list in the reader's words."""
    return [_job(row, found.felt_sd_s) for row in found.worklist.sort_values("rank").itertuples(index=False)]


def first_jobs(found: Found) -> list[Job]:
    """Return at most three jobs that are sure."""
    return [job for job in jobs(found) if job.sure][:MOST_JOBS]


def needs_caution(given: list[Job]) -> bool:
    """Tell whether one of the jobs puts hands into the machine."""
    return any(job.part in HANDS_ON for job in given)


def refused(results: Results) -> list[Refused]:
    """Return the recordings that were refused, the newest first."""
    rows = results.recordings[results.recordings["status"] == "refused"]
    rows = rows.sort_values(["build_day", "recording"], ascending=[False, True], kind="stable")
    return [
        Refused(row.recording, words.day(row.build_day), words.sentence(row.reason))
        for row in rows.itertuples(index=False)
    ]


def used_said(results: Results) -> str:
    """Say how many recordings were used: `12 of 14 recordings used, 2 refused`."""
    n_all = len(results.recordings)
    n_refused = int((results.recordings["status"] == "refused").sum())
    if not n_refused:
        return (
            f"All {words.count(n_all, 'recording')} used." if n_all > 1 else f"{words.count(n_all, 'recording')} used."
        )
    return f"{n_all - n_refused} of {words.count(n_all, 'recording')} used, {n_refused} refused."


def unheard_said(results: Results) -> list[str]:
    """Say which newer build days are not on the page because none of their recordings could be used."""
    return [
        f"Of {group.arrangement}, {words.day(group.build_day)}{_setup(group.setup)}, no recording could be used"
        + (": what follows is older." if _is_older(results, group) else ".")
        for group in results.unheard
    ]


def opening(found: Found) -> str:
    """Name the group: `song, 12 May 2031, two rims, 3 takes`."""
    parts = [found.group.arrangement, words.day(found.group.build_day)]
    if found.group.session > 1:
        parts.append(f"session {found.group.session}")
    if found.group.setup:
        parts.append(found.group.setup)
    return ", ".join([*parts, words.count(len(found.used), "take")])


def _job(row, felt_sd_s: float) -> Job:
    return Job(
        rank=int(row.rank),
        part=row.part,
        where=row.where,
        finding=words.capital(words.sentence(row.finding)),
        correction=words.capital(words.sentence(row.correction)),
        effort=words.capital(row.effort),
        to_be_sure=words.capital(words.sentence(row.to_be_sure)) if words.known(row.to_be_sure) else "",
        gain=_gain(row, felt_sd_s),
        certainty=words.percent(min(row.certainty, 0.999), digits=1 if row.certainty >= 0.99 else 0),
        sure=row.certainty >= words.SURE_CERTAINTY,
    )


def _gain(row, felt_sd_s: float) -> str:
    """Say what a job wins, before → after; of the load, that is what it would win if no strike cost any speed."""
    most = "at most " if row.part == "load" else ""
    ends = [_counted(row.gain_low), _counted(row.gain_high)]
    # A gain that is known to the last digit shown has no range.
    between = f" ({' to '.join(ends)})" if set(ends) != {_counted(row.gain_noticed)} else ""
    gain = f"{most}{_counted(row.gain_noticed)} fewer noticed faults a playthrough{between}"
    if words.known(row.noticed_before):
        # One job cannot win more than there is: then the takes' counts and its own differ by chance.
        after = max(row.noticed_before - row.gain_noticed, 0.0)
        gain += f", {_counted(row.noticed_before)} → {_counted(after)}"
    if row.gain_s < LEAST_SPREAD_S:
        return gain
    of = f" of {words.milliseconds(felt_sd_s)}" if words.known(felt_sd_s) else ""
    return f"{gain}, and {words.milliseconds(row.gain_s)}{of} spread"


def _in_turn(rows: pd.DataFrame) -> str:
    """Say by how many pairs of takes two set-ups are compared; '' where they were not played in turn."""
    turns = rows.dropna(subset="n_pairs")
    if not len(turns):
        return ""
    pairs = words.count(turns["n_pairs"].iloc[0], "pair")
    days = f" on {words.count(turns['n_days'].iloc[0], 'day')}" if turns["n_days"].iloc[0] > 1 else ""
    return f", played in turn ({pairs} of takes{days}, the drift of the day taken out)"


def _confounded(found: Found) -> str:
    """Say what else changed, so that nobody takes the one for the other; '' where only what was mended did."""
    before, now = found.before, found.group
    other = ["set-up"] if before.setup != now.setup else []
    for name, of in (("crew", "crew"), ("microphones", "rig")):
        told = [{getattr(take, of) for take in one.recordings} - {""} for one in (before, now)]
        # What the list does not tell has not changed.
        if all(told) and not set.intersection(*told):
            other.append(name)
    same_day = before.build_day == now.build_day
    in_turn = bool(_in_turn(found.trend[found.trend["against"].eq("previous")]))
    if not other or (other == ["set-up"] and in_turn):
        return ""
    if "set-up" not in other:
        return f"{words.capital(words.joined(other))} changed too: what is theirs cannot be told apart."
    if in_turn:
        return f"{words.capital(words.joined(other))} changed together: what is theirs cannot be told apart."
    together = words.capital(words.joined([*other, "hour" if same_day else "day"]))
    return (
        f"{together} changed at once: play both set-ups in turn on one day (A B A B){_takes_each(found)} to tell them "
        "apart."
    )


def _takes_each(found: Found) -> str:
    """Say how many takes of each set-up would show a change as large as the one seen now; '' where 20 would not."""
    main = found.trend[(found.trend["against"] == "previous") & found.trend["quantity"].eq("felt_sd_s")]
    number = main["takes_needed"].iloc[0] if len(main) else None
    if not words.known(number):
        return ""
    return f", {words.count(number, 'take')} of each if the set-up alone did what was seen,"


def _counted(number: float) -> str:
    return words.plain(number, 0 if number >= 10 else 1)


def before_said(found: Found) -> str:
    """Name the group before: by its day, or within the day by its session."""
    before = found.before
    if before.build_day != found.group.build_day:
        return words.day(before.build_day)
    if before.session != found.group.session:
        return f"session {before.session} of the day"
    return f"set-up “{before.setup}”" if before.setup else f"the takes {words.WITHOUT_SETUP}"


def _other_setup(found: Found) -> str:
    before, now = found.before.setup, found.group.setup
    return "" if before == now else f" ({before or words.WITHOUT_SETUP} → {now or words.WITHOUT_SETUP})"


def _is_older(results: Results, group) -> bool:
    shown = [found.group for found in results.sections if found.group.arrangement == group.arrangement]
    return bool(shown) and all(one.build_day < group.build_day for one in shown)


def _setup(setup: str) -> str:
    return f" ({setup})" if setup else ""
