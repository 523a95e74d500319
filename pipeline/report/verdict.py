"""Say whether a group plays tight, in four words: complete, together, even, steady; a clock test has steady only."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline import hearing, words
from pipeline.report.results import Found

# Our own marks, no published values: complete is less than one fault in a playthrough; even and together are 19
# strikes, and 19 chords, of 20 that a listener lets pass.
COMPLETE_FAULTS = 1.0
LET_PASS_SHARE = 0.05
LEAST_JUDGED = 59  # strikes or chords, none of them noticed, that show that at most one in 20 is: 0.95 ** 59 < 0.05
WHOLE_SHARE = 0.9  # of a playthrough, below which nothing missed does not show that a playthrough is complete

WINDOWS = (1, 2, 4, 8)  # bars over which the tempo is compared with that of as many before

GOOD, CLOSE, BAD, UNTOLD = "good", "close", "bad", "untold"


@dataclass(frozen=True)
class Word:
    """One of the four words: how it stands, the clause for the verdict, its number and what is heard."""

    name: str
    state: str  # good, close, bad or untold
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
    strikes = strikes.drop_duplicates(["recording", "hit_id", "hit_s"]).reset_index(drop=True)
    return Judged(strikes.assign(noticed=strikes["felt_s"].abs() > strikes["noticed_from_s"]))


def four_words(found: Found) -> tuple[Word, ...]:
    """Return those of the four words that apply, in the order in which an audience hears them."""
    if found.is_clock:
        return tuple(word for word in (_steady(found),) if word)
    return tuple(word for word in (_complete(found), _together(found), _even(found), _steady(found)) if word)


def headline(found: Found) -> str:
    """Say in one sentence, with its number, whether the group plays tight."""
    given = four_words(found)
    good, main = ("Steady", "steady") if found.is_clock else ("Tight", "even")
    clauses = {state: [word.clause for word in given if word.state == state] for state in (BAD, CLOSE)}
    if clauses[BAD]:
        return f"Not {good.lower()} yet: {'; '.join(clauses[BAD][:2])}."
    main = next((word for word in given if word.name == main), None)
    if main is None or (not found.is_clock and len(judged(found.lateness).strikes) < LEAST_JUDGED):
        return f"Too few {'bars' if found.is_clock else 'strikes'} to tell whether it plays {good.lower()}."
    if clauses[CLOSE]:
        return f"Nearly {good.lower()}: {'; '.join(clauses[CLOSE][:2])}."
    return f"{good}: {main.clause}."


def listener(found: Found) -> str:
    """Say what a listener makes of it, with counts; the thresholds stand beside the four words."""
    counted, said = [], []
    strikes, (apart, chords) = judged(found.lateness), _apart(found.lateness)
    if len(strikes.strikes) and not found.is_clock:
        counted.append(f"{words.part_of(strikes.n_noticed, len(strikes.strikes), 'strikes')} displaced")
    if chords and not found.is_clock:
        counted.append(f"{words.part_of(apart, chords, 'chords')} fall apart")
    if counted:
        said.append(f"hears {words.joined(counted)}")
    moved = largest_change(found)
    if words.known(moved):
        heard = {GOOD: "hears no change of tempo", CLOSE: "may hear the tempo change if the ear is keen"}
        heard[BAD] = f"hears the tempo change in places, by up to {words.percent(moved)}"
        said.append(heard[_steadiness(moved)])
    return f"A listener {', and '.join(said)}." if said else ""


def largest_change(found: Found) -> float:
    """Return by how much the tempo of some bars differs most from that of as many before; NaN when no take is so long.

    Of each take the largest, of the takes the middle one. A steadiness is typical of a take and may be good where one
    passage is plainly slower.
    """
    bar_beats = float(found.notes.drop_duplicates("bar")["bar_beats"].median())
    largest = []
    for _, track in found.tempo.groupby(["recording", "playthrough", "segment"]):
        track = track.sort_values("score_beat")
        summed = np.concatenate([[0.0], np.cumsum((track["motion"] + track["load"] + track["shaft"]).to_numpy(float))])
        for n in (max(1, round(2 * bars * bar_beats)) for bars in WINDOWS):  # half beats
            if len(summed) > 2 * n:
                change = (summed[2 * n :] - 2 * summed[n:-n] + summed[: -2 * n]) / n
                largest.append((track["recording"].iloc[0], float(np.abs(change).max())))
    takes = pd.DataFrame(largest, columns=["recording", "change"]).groupby("recording")["change"].max()
    return float(takes.median()) if len(takes) else np.nan


def _complete(found: Found) -> Word | None:
    used = found.used
    n_notes, n_missed, n_extra = (int(used[name].sum()) for name in ("n_notes", "n_missed", "n_extra"))
    if not n_notes:
        return None
    # Fragments count as the parts of a playthrough that they are.
    played = n_notes / max(_heard_notes(found), 1)
    faults = (n_missed + n_extra) / played
    clause = f"{n_missed} of {words.count(n_notes, 'strike')} {'is' if n_missed == 1 else 'are'} missing"
    if n_extra:
        clause += f", {n_extra} {'is' if n_extra == 1 else 'are'} double or stray"
    silent = sorted(set(found.notes["striker"]) - set(_heard_strikers(found)))
    unheard = f"; not heard at all: {words.joined(silent)}" if silent else ""
    return Word(
        "complete",
        BAD if faults >= COMPLETE_FAULTS else GOOD if played >= WHOLE_SHARE and not silent else UNTOLD,
        clause,
        f"{n_missed} missed, {n_extra} double or stray",
        f"of {words.count(n_notes, 'strike')}{unheard}; an audience hears these first",
        "our own mark: less than one in a playthrough",
    )


def _heard_notes(found: Found) -> int:
    """Count the notes of one playthrough that some microphone could hear."""
    return int(found.notes["striker"].isin(_heard_strikers(found)).sum()) or len(found.notes)


def _heard_strikers(found: Found) -> pd.Series:
    return found.strikers[found.strikers["n_played"] + found.strikers["n_missed"] > 0]["striker"]


def _together(found: Found) -> Word | None:
    spread_s, se_s = found.value("together_s")
    apart, chords = _apart(found.lateness)
    if not words.known(spread_s) or not chords:
        return None
    return Word(
        "together",
        _share_state(apart, chords),
        f"{words.part_of(apart, chords, 'chords')} fall apart",
        words.spread(words.milliseconds(spread_s, se_s)),
        f"heard apart from {words.milliseconds(hearing.APART_S, digits=0)}: {words.part_of(apart, chords, 'chords')}",
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
        f"strikes stray {words.spread(words.milliseconds(spread_s))} from the beat one feels",
        words.spread(words.milliseconds(spread_s, se_s)),
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
    moves = words.spread(words.percent(moved, digits=2))
    bar_to_bar = found.value("steady_1")[0]
    first = f"{words.spread(words.percent(bar_to_bar, digits=2))} a bar" if words.known(bar_to_bar) else moves
    state, largest = _steadiness(moved), largest_change(found)
    in_places = [f"in places by {words.percent(largest)}"] if largest >= hearing.TEMPO_RATIO else []
    more = [f"{moves} {over}"] if bars > 1 else []
    return Word(
        "steady",
        CLOSE if state == GOOD and in_places else state,
        ", ".join([f"the tempo moves {words.spread(words.percent(moved))} {over}", *in_places]),
        first,
        "; ".join([", ".join([*more, *in_places]), "noticed from 3 %, by a keen ear from 1.5 %"]).removeprefix("; "),
        "Drake & Botte 1993",
    )


def _most_unsteady(found: Found) -> tuple[float, int]:
    """Return the largest movement of the tempo over 1, 2, 4 or 8 bars, and over how many; NaN when none is known."""
    moved = {bars: found.value(f"steady_{bars}")[0] for bars in (1, 2, 4, 8)}
    moved = {bars: ratio for bars, ratio in moved.items() if words.known(ratio)}
    bars = max(moved, key=moved.get, default=1)
    return moved.get(bars, np.nan), bars


def _steadiness(ratio: float) -> str:
    return GOOD if ratio < hearing.TEMPO_RATIO_AT_BEST else CLOSE if ratio < hearing.TEMPO_RATIO else BAD


def _share_state(noticed: int, total: int) -> str:
    """Hold a share of what is noticed against the mark: so few may lie on the other side of it."""
    away = noticed / total - LET_PASS_SHARE
    if noticed == 0 or abs(away) >= words.SURELY * np.sqrt(LET_PASS_SHARE * (1 - LET_PASS_SHARE) / total):
        return BAD if away > 0 else GOOD if total >= LEAST_JUDGED else UNTOLD
    return CLOSE if total >= LEAST_JUDGED else UNTOLD


def _apart(lateness: pd.DataFrame) -> tuple[int, int]:
    """Count the chords whose strikes lie further apart than is heard as one, and all chords of two hits or more."""
    strikes = lateness.drop_duplicates(["recording", "hit_id", "hit_s"])
    chord = hearing.chord_of(strikes)
    several = np.bincount(chord) > 1
    return int((hearing.is_apart(chord, strikes["hit_s"].to_numpy()) & several).sum()), int(several.sum())
