"""Tell slips that come at one place in every take from misplaced pins beside that place.

A drive that gives way at the same bar of every take moves all later strikes by as much, and so do pins: those after the
place late, those before it early, until the slow motion has followed. Takes do not tell the two apart, but one step
explains what would need several pins. So wherever pins are flagged, the best step, with or without some pins, is held
against pins alone, both by chi-square in the whole model with these pins as ordinary ones. Each pin costs what it takes
to call it misplaced, the step what it takes to call a place where the drive gives way.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from pipeline.timing.data.score import CHORD_BEAT
from pipeline.timing.fitting import misplaced_pins, slip_search
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.slips import Slip
from pipeline.timing.fitting.solve import solve
from pipeline.timing.fitting.state import State
from pipeline.timing.model import periodogram
from pipeline.timing.model.normal_equations import Scales

RUN_BEAT = 2.5  # flagged pins that follow within it are explained together; a motion hides a step within some beats
AROUND_BEAT = 1.5  # from the run, where the step may lie
FULL_BEAT = 4.0  # from the run, where strikes weigh in full: a step that nothing follows makes them outliers
# Twice the log of the odds against a pin being out: one in thirty is, anywhere within ±60 ms (`pin_company`), where
# three strikes with 1.5 ms of scatter place it to 0.9 ms: 29 × 120 ms / (0.9 ms × √(2π)).
PIN_COSTS = 14.0
# And a step at one of some 200 places, no more often in a machine than a pin in a striker's row: 2 log 200 more.
STEP_COSTS = PIN_COSTS + 10.6
NEAR = 10.0  # of chi-square: runs in which the step is no further behind by a first look are looked at alone
MOST_COLUMNS = 12  # of one explanation


@dataclass(frozen=True, eq=False)
class Run:
    """Flagged pins near each other, and the step that may be instead.

    `ahead`: chi-square of the step less that of the pins, with their costs. `before`, `after`: the places in the round
    between which the step lies, nominal beats.
    """

    pins: np.ndarray
    ahead: float = -np.inf
    before: float = np.nan
    after: float = np.nan


def search(prepared: Prepared, state: State, scales: Scales) -> State:
    """Return the state with the slips of all lines, and without the flags of pins that these explain as well."""
    state = replace(state, slips=())
    if len(prepared.lines.pace) < 2 or not state.flagged.any():
        return state
    places = _places(prepared)
    runs = _runs(places, state)
    solved = solve(prepared, _without(prepared, places, state, np.concatenate(runs)), scales)
    looked = sorted((_compared(prepared, places, solved, run) for run in runs), key=lambda run: -run.ahead)
    for number, first in enumerate(looked):
        if first.ahead + _known_to_slip(state) <= -NEAR:
            break
        cleared = _without(prepared, places, state, first.pins)
        solved = solve(prepared, cleared, scales)
        run = _compared(prepared, places, solved, first.pins)
        if run.ahead + _known_to_slip(state) > 0:
            is_step = _is_step(prepared, places, cleared, solved, run)
            slips = _of_lines(prepared, places, run, number) if is_step else []
            state = _explained_otherwise(places, state, run.pins, slips)
    return state


def _known_to_slip(state) -> float:
    """Return what a step costs less where the drive is known to give way at another place."""
    return STEP_COSTS - PIN_COSTS if state.slips else 0.0


def _explained_otherwise(places, state, pins, slips) -> State:
    """Return the state with the slips; where something smooth explains the pins too, none there is flagged again."""
    flagged, n_withdrawn = state.flagged.copy(), state.n_withdrawn.copy()
    flagged[pins] = False
    if not slips:
        ends = places.of_pin[pins]
        near = np.abs(places.of_pin - (ends.min() + ends.max()) / 2) <= np.ptp(ends) / 2 + AROUND_BEAT
        n_withdrawn[near] = misplaced_pins.MOST_WITHDRAWN
    return replace(state, flagged=flagged, n_withdrawn=n_withdrawn, slips=(*state.slips, *slips))


def _runs(places, state) -> list[np.ndarray]:
    """Return the flagged pins, those that follow within RUN_BEAT together."""
    flagged, of_pin = np.flatnonzero(state.flagged), places.of_pin
    flagged = flagged[np.argsort(of_pin[flagged], kind="stable")]
    return np.split(flagged, np.flatnonzero(np.diff(of_pin[flagged]) > RUN_BEAT) + 1)


def _without(prepared, places, state, pins) -> State:
    """Return the state with these pins as ordinary ones and with the strikes around them in full weight."""
    flagged = state.flagged.copy()
    flagged[pins] = False
    away = np.min([np.abs(places.of_hit - at) for at in places.of_pin[pins]], axis=0)
    weight = np.where(away <= FULL_BEAT, prepared.hits.full_weight, state.weight)
    return replace(
        state, flagged=flagged, weight=weight, company_variance=np.where(flagged, state.company_variance, 0.0)
    )


@dataclass(frozen=True, eq=False)
class Places:
    """Where the hits lie in what comes round: the song, or the barrel's turn where its pins come round with it.

    Parameters
    ----------
    of_hit : np.ndarray, shape=(n_hits,)
        Place in the round, nominal beats.
    rounds : np.ndarray of int, shape=(n_hits,)
        Rounds before it on its line.
    of_pin : np.ndarray, shape=(n_pins,)
    onset : np.ndarray
        Places at which something is written.
    """

    of_hit: np.ndarray
    rounds: np.ndarray
    of_pin: np.ndarray
    onset: np.ndarray

    def step(self, before, after) -> np.ndarray:
        """Return how many of the steps between two places have happened, shape=(n_hits, ...)."""
        gone = (np.reshape(self.of_hit, (-1, *[1] * np.ndim(before))) - before) / (after - before)
        return np.clip(gone, 0.0, 1.0) + np.reshape(self.rounds, (-1, *[1] * np.ndim(before)))


def _places(prepared) -> Places:
    frame, score, written = prepared.frame, prepared.score, prepared.score.notes["u_beat"].to_numpy()
    within = frame["score_s"].to_numpy() * score.beat_per_s
    turn = 1 / score.turn_per_beat if len(prepared.pins.border) and score.turn_per_beat else np.inf
    of_round = np.floor(within / turn).astype(int) if np.isfinite(turn) else np.zeros(len(within), dtype=int)
    rounds = (frame["playthrough"].to_numpy() - 1) * (of_round.max(initial=0) + 1) + of_round
    return Places(np.mod(within, turn), rounds, np.mod(prepared.pins.u_beat, turn), np.unique(np.mod(written, turn)))


def _compared(prepared, places, solved, pins) -> Run:
    """Return the run with its best step: alone or with some pins, against pins alone."""
    before, after = _gaps(places, pins)
    if not len(before):
        return Run(pins)
    near = prepared.pins.testable & (places.of_pin >= before[0]) & (places.of_pin <= after[-1])
    of_pins = (prepared.hits.pin[:, None] == np.flatnonzero(near)) * solved.data.relative_pace[:, None]
    of_score, information, _ = periodogram.score(solved, np.hstack([of_pins, places.step(before, after)]))
    n_pins = of_pins.shape[1]
    by_pins = _explained(of_score, information, [], n_pins)
    by_step = [_explained(of_score, information, [n_pins + one], n_pins) for one in range(len(before))]
    best = int(np.argmax(by_step))
    return Run(pins, float(by_step[best] - by_pins), float(before[best]), float(after[best]))


def _gaps(places, pins) -> tuple[np.ndarray, np.ndarray]:
    """Return begin and end of the gaps between onsets in and around a run, nominal beats."""
    ends, onset = places.of_pin[pins], places.onset
    first, last = np.searchsorted(onset, [ends.min() - AROUND_BEAT, ends.max() + AROUND_BEAT])
    # The onset beyond, too: of a pin after a rest the step lies in the rest.
    onset = onset[max(first - 1, 0) : last + 1]
    wide = np.diff(onset) > CHORD_BEAT
    return onset[:-1][wide], onset[1:][wide]


def _explained(of_score, information, taken, n_pins) -> float:
    """Return the chi-square of the columns `taken` and of all pins that are worth their cost, less the costs."""
    best, costs = 0.0, STEP_COSTS if taken else 0.0
    if taken:
        best = float(of_score[taken[0]] ** 2 / max(information[taken[0], taken[0]], 1e-12)) - STEP_COSTS
    while len(taken) < MOST_COLUMNS:
        left = [one for one in range(n_pins) if one not in taken]
        found = [(_chi_square(of_score, information, [*taken, one]), one) for one in left]
        chi_square, one = max(found, default=(-np.inf, -1))
        costs += PIN_COSTS
        if chi_square - costs <= best:
            break
        taken, best = [*taken, one], chi_square - costs
    return best


def _chi_square(of_score, information, columns) -> float:
    block = information[np.ix_(columns, columns)]
    size, axes = np.linalg.eigh((block + block.T) / 2)
    told = size > periodogram.LEAST_TOLD * size.max()
    return float(((axes[:, told].T @ of_score[columns]) ** 2 / size[told]).sum())


def _is_step(prepared, places, state, solved, run) -> bool:
    """Tell whether the step is significant, and better than a stumble of the crew or a fall of the speed there."""
    gaps = slip_search.gaps_of(prepared, state, solved)
    others = slip_search.smooth(places.of_hit, (run.before + run.after) / 2, state.recovery_beats)
    columns = np.column_stack([places.step(run.before, run.after), others + places.rounds[:, None]])
    chi_square = periodogram.each_alone(solved, columns) / gaps.noise
    chance = len(gaps.line) * stats.chi2.sf(chi_square[0], 1)
    return chance <= slip_search.CHANCE and chi_square[0] > chi_square[1:].max() + slip_search.MARGIN


def _of_lines(prepared, places, run, number) -> list[Slip]:
    """Return the slip of each line in each round in which hits lie to both sides of the place."""
    hits, made = prepared.hits, []
    for line, number_of_round in sorted(set(zip(hits.line.tolist(), places.rounds.tolist(), strict=True))):
        mine = (hits.line == line) & (places.rounds == number_of_round)
        before, after = mine & (places.of_hit <= run.before + 1e-9), mine & (places.of_hit >= run.after - 1e-9)
        if min(before.sum(), after.sum()) >= slip_search.FEWEST_ONSETS:
            made.append(Slip(line, float(hits.u_beat[before].max()), float(hits.u_beat[after].min()), 0.0, number))
    return made
