"""Say whether a group plays tight, in four words: complete, together, even, steady; a clock test has steady only."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.report import words
from pipeline.report.results import Found

NOTICED_S = 0.006  # Friberg & Sundberg 1995: less is never noticed; what each strike may be off stands in 'lateness'
TOGETHER_S = 0.020  # Hirsh 1959: which of two sounds came first is heard from about 20 ms
# Drake & Botte 1993, Percept. Psychophys. 54: another tempo is noticed from 1.5 % at best; 3 % after six intervals.
STEADY_BEST, STEADY_USUAL = 0.015, 0.03
# Our own marks, no published values: complete is less than one fault in a playthrough; even and together are 19
# strikes, and 19 chords, of 20 that a listener lets pass.
COMPLETE_FAULTS = 1.0
LET_PASS_SHARE = 0.05

GOOD, CLOSE, BAD = "good", "close", "bad"


@dataclass(frozen=True)
class Word:
    """One of the four words: how it stands, the clause for the verdict, its number and what is heard."""

    name: str
    state: str  # good, close or bad
    clause: str  # what to say of it in the verdict
    number: str
    heard: str
    source: str


@dataclass(frozen=True)
class Judged:
    """The strikes of which can be said whether a listener notices them, each with what is let pass there."""

    strikes: pd.DataFrame  # lateness, with noticed

    @property
    def n_noticed(self) -> int:
        """Count the strikes that a listener notices."""
        return int(self.strikes["noticed"].sum())

    @property
    def typical_s(self) -> float:
        """Return what a listener lets pass at half of the strikes."""
        return float(self.strikes["noticed_from_s"].median())


def judged(lateness: pd.DataFrame) -> Judged:
    """Hold each strike's felt lateness against what a listener notices there; notes that share a hit count once."""
    strikes = lateness.dropna(subset=["felt_s", "noticed_from_s"])
    strikes = strikes.drop_duplicates(["recording", "hit_id"]).reset_index(drop=True)
    return Judged(strikes.assign(noticed=strikes["felt_s"].abs() > strikes["noticed_from_s"]))


def four_words(found: Found) -> tuple[Word, ...]:
    """Return those of the four words that apply, in the order in which an audience hears them."""
    if found.is_clock:
        return tuple(word for word in (_steady(found),) if word)
    return tuple(word for word in (_complete(found), _together(found), _even(found), _steady(found)) if word)


def headline(found: Found) -> str:
    """Say in one sentence, with its number, whether the group plays tight."""
    given = four_words(found)
    good = "Steady" if found.is_clock else "Tight"
    if not given:
        return "Too few strikes to tell whether it plays tight."
    for state, opening in ((BAD, f"Not {good.lower()} yet"), (CLOSE, f"Nearly {good.lower()}")):
        clauses = [word.clause for word in given if word.state == state]
        if clauses:
            return f"{opening}: {'; '.join(clauses[:2])}."
    main = next((word for word in given if word.name == "even"), given[-1])
    return f"{good}: {main.clause}."


def listener(found: Found) -> str:
    """Say what a listener makes of it, with counts; the thresholds stand beside the four words."""
    said = []
    strikes, (apart, chords) = judged(found.lateness), _apart(found.lateness)
    if len(strikes.strikes) and not found.is_clock:
        said.append(f"notices that {words.part_of(strikes.n_noticed, len(strikes.strikes), 'strikes')} are displaced")
    if chords and not found.is_clock:
        said.append(f"hears {words.part_of(apart, chords, 'chords')} fall apart")
    moved, _ = _most_unsteady(found)
    if words.known(moved):
        heard = {GOOD: "hears no change of tempo", CLOSE: "may hear the tempo change if the ear is keen"}
        said.append(heard.get(_steadiness(moved), "hears the tempo change"))
    return f"A listener {words.joined(said)}." if said else ""


def against_click(found: Found) -> str:
    """Say how far from the click, its steady part apart; '' where there was no click."""
    clicked = found.used.dropna(subset=["click_offset_s", "late_sd_s"])
    if not len(clicked):
        return ""
    spread_s = float(np.sqrt(np.mean(clicked["late_sd_s"].to_numpy(float) ** 2)))
    return (
        f"Around the click it moves ±{words.milliseconds(spread_s, digits=0)}; that it lies "
        f"{words.late(float(clicked['click_offset_s'].mean()))} on the whole is no fault of the machine."
    )


def _complete(found: Found) -> Word | None:
    used = found.used
    n_notes, n_missed, n_extra = (int(used[name].sum()) for name in ("n_notes", "n_missed", "n_extra"))
    if not n_notes:
        return None
    faults = (n_missed + n_extra) / max(found.n_playthroughs, 1)
    clause = f"{n_missed} of {words.count(n_notes, 'strike')} {'is' if n_missed == 1 else 'are'} missing"
    if n_extra:
        clause += f", {n_extra} {'is' if n_extra == 1 else 'are'} double or stray"
    return Word(
        "complete",
        GOOD if faults < COMPLETE_FAULTS else BAD,
        clause,
        f"{n_missed} missed, {n_extra} double",
        f"of {words.count(n_notes, 'strike')}; an audience hears these first",
        "our own mark: less than one in a playthrough",
    )


def _together(found: Found) -> Word | None:
    spread_s, se_s = found.value("together_s")
    apart, chords = _apart(found.lateness)
    if not words.known(spread_s) or not chords:
        return None
    return Word(
        "together",
        GOOD if apart <= LET_PASS_SHARE * chords else BAD,
        f"{words.part_of(apart, chords, 'chords')} fall apart",
        f"±{words.milliseconds(spread_s, se_s)}",
        f"heard apart from {words.milliseconds(TOGETHER_S, digits=0)}: {apart} of {chords} chords",
        "Hirsh 1959",
    )


def _even(found: Found) -> Word | None:
    spread_s, se_s = found.felt_sd_s, found.felt_sd_se
    strikes = judged(found.lateness)
    n_all = len(strikes.strikes)
    if not words.known(spread_s) or not n_all:
        return None
    share = strikes.n_noticed / n_all
    state = GOOD if share <= LET_PASS_SHARE else BAD
    # A count of so few could as well lie on the other side.
    if abs(share - LET_PASS_SHARE) < words.SURELY * np.sqrt(LET_PASS_SHARE * (1 - LET_PASS_SHARE) / n_all):
        state = CLOSE
    return Word(
        "even",
        state,
        f"strikes stray ±{words.milliseconds(spread_s)} from the beat one feels",
        f"±{words.milliseconds(spread_s, se_s)}",
        "noticed from 6 ms or 2.5 % of the gap before, and beyond the error of the felt beat, "
        f"here mostly {words.milliseconds(strikes.typical_s)}: "
        f"{words.part_of(strikes.n_noticed, n_all, 'strikes')}",
        "Friberg & Sundberg 1995",
    )


def _steady(found: Found) -> Word | None:
    moved, bars = _most_unsteady(found)
    if not words.known(moved):
        return None
    over = "from bar to bar" if bars == 1 else f"over {bars} bars"
    bar_to_bar = words.percent(found.value("steady_1")[0], digits=2)
    return Word(
        "steady",
        _steadiness(moved),
        f"the tempo moves ±{words.percent(moved)} {over}",
        f"±{bar_to_bar} a bar",
        ("" if bars == 1 else f"±{words.percent(moved, digits=2)} {over}; ")
        + "noticed from 3 %, by a keen ear from 1.5 %",
        "Drake & Botte 1993",
    )


def _most_unsteady(found: Found) -> tuple[float, int]:
    """Return the largest movement of the tempo over 1, 2, 4 or 8 bars, and over how many; NaN when none is known."""
    moved = {bars: found.value(f"steady_{bars}")[0] for bars in (1, 2, 4, 8)}
    moved = {bars: ratio for bars, ratio in moved.items() if words.known(ratio)}
    bars = max(moved, key=moved.get, default=1)
    return moved.get(bars, np.nan), bars


def _steadiness(ratio: float) -> str:
    return GOOD if ratio < STEADY_BEST else CLOSE if ratio < STEADY_USUAL else BAD


def _apart(lateness: pd.DataFrame) -> tuple[int, int]:
    """Count the chords whose strikes lie further apart than is heard as one, and all chords of two hits or more."""
    strikes = lateness.drop_duplicates(["recording", "hit_id"])
    chords = strikes.groupby(["recording", "playthrough", "segment", "score_beat"])["hit_s"].agg(["min", "max", "size"])
    chords = chords[chords["size"] > 1]
    return int((chords["max"] - chords["min"] > TOGETHER_S).sum()), len(chords)
