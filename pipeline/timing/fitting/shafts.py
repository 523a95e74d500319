"""Hold what is asked and what is known of shafts that turn with the barrel and are out of true.

A shaft that turns `order` times per turn of the barrel, out of true, makes the strikes late by

    A sin 2π order (turn − middle) + B cos 2π order (turn − middle).

A belt or a freewheel does not hold its phase against the barrel: A and B are of each line (segment of a take), their
prior N(0, amplitude²/2) is learnt, and the order creeps, from line to line by CREEP_SD. A toothed drive has one A, B
for the group and the order that its teeth give.
"""

from dataclasses import dataclass, replace

import numpy as np

from pipeline import settings
from pipeline.timing.data.score import Score
from pipeline.timing.model.solution import Solved

MOST_CREEP = 0.04  # deviation from the ratio of the pulleys within which a shaft is looked for
HARMONICS = (1, 2)  # cycles per turn of a shaft: an eccentric pulley makes one, an oval or a bent shaft two
CREEP_SD = 5e-4  # by which a belt's ratio differs from take to take: a tenth of its load's slip (about .5 %)
MOST_CYCLES = 0.2  # by which the phase at the end of a line moves in one round: the model is linear no further
BARREL, BARREL_TURNS = "barrel", 3.0  # turns from which the barrel's own wobble can be told from the song's pattern
FEWEST_HITS = 24  # on a line, for two unknowns of its own
LEAST_SPAN = 0.25  # of the longest line: one that is shorter gets no wobble of its own
LEAST_VARIANCE_S2 = 1e-10  # (10 µs)²: a wobble below is none; keeps a prior's precision finite


@dataclass(frozen=True)
class Candidate:
    """A wobble that may be there.

    Parameters
    ----------
    shaft : str or None
        None: nobody named a shaft that turns so.
    order : float
        Cycles per turn of the barrel, by the ratio that the settings tell.
    creep : float
        The order is looked for within ± this share of it; 0: it is known.
    holds_phase : bool
    """

    shaft: str | None
    harmonic: int
    order: float
    creep: float
    holds_phase: bool


@dataclass(frozen=True, eq=False)
class Shafts:
    """What a fit keeps fixed of shafts.

    Parameters
    ----------
    turn : np.ndarray, shape=(n_hits,)
        The barrel's, unrolled over playthroughs.
    candidates : tuple of Candidate
        Those that are named.
    eligible : np.ndarray of int
        Lines long enough to have a wobble.
    middle, span : np.ndarray, shape=(n_lines,)
        Of the barrel's turns on each line.
    """

    turn: np.ndarray
    candidates: tuple[Candidate, ...]
    eligible: np.ndarray
    middle: np.ndarray
    span: np.ndarray


@dataclass(frozen=True, eq=False)
class Wobble:
    """A wobble in the model. A *part* is a line, or all lines together where the drive holds its phase.

    Parameters
    ----------
    part : np.ndarray of int, shape=(n_lines,)
        Part of each line; −1: none.
    middle : np.ndarray, shape=(n_parts,)
        Turn of the barrel where the phase is counted from.
    common : float
        Order of the group.
    order, sine, cosine : np.ndarray, shape=(n_parts,)
        Order, A and B (s).
    precision : float
        Prior precision of A and B, 1/s².
    q_value : float
        False discovery rate at which it is called.
    """

    candidate: Candidate
    part: np.ndarray
    middle: np.ndarray
    common: float
    order: np.ndarray
    sine: np.ndarray
    cosine: np.ndarray
    precision: float
    q_value: float = 1.0

    @property
    def n_parts(self) -> int:
        return len(self.middle)


def candidates_of(machine: settings.Machine, turns: float) -> tuple[Candidate, ...]:
    """Return the wobbles of the shafts that `machine` names, over so many `turns` of its barrel."""
    found = []
    for shaft in machine.shafts:
        toothed = shaft.drive == "toothed"
        creep = 0.0 if toothed else MOST_CREEP
        found += [Candidate(shaft.name, n, n * shaft.turns, creep, toothed) for n in HARMONICS]
    # Pins that come round every turn take the barrel's own wobble whole.
    if machine.barrel.pins == "song" and turns >= BARREL_TURNS:
        found += [Candidate(BARREL, n, float(n), 0.0, True) for n in HARMONICS]
    return tuple(found)


def shafts_of(machine: settings.Machine, score: Score, frame) -> Shafts | None:
    """Return what a fit keeps fixed of shafts; None where the barrel's turns are not told.

    Parameters
    ----------
    frame : pd.DataFrame
        The played rows of the strikes.
    """
    if machine.barrel.bars_per_turn is None or score.turn_per_beat <= 0:
        return None
    line, u_beat, score_s = (frame[name].to_numpy() for name in ("line", "u_beat", "score_s"))
    within_beat = score_s * score.beat_per_s
    turn = turn_of(score, within_beat, u_beat - within_beat)
    n_lines = int(line.max()) + 1
    first, last = np.full(n_lines, np.inf), np.full(n_lines, -np.inf)
    np.minimum.at(first, line, turn)
    np.maximum.at(last, line, turn)
    has = np.isfinite(first)
    span = np.where(has, np.where(has, last, 0.0) - np.where(has, first, 0.0), 0.0)
    middle = np.where(has, (np.where(has, last, 0.0) + np.where(has, first, 0.0)) / 2, 0.0)
    enough = np.bincount(line, minlength=n_lines) >= FEWEST_HITS
    eligible = np.flatnonzero(enough & (span > 0) & (span >= LEAST_SPAN * span.max()))
    return Shafts(turn, candidates_of(machine, span.max()), eligible, middle, span)


def turn_of(score: Score, within_beat, turned_beat) -> np.ndarray:
    """Return the barrel's turn at places of the score, `turned_beat` later (it turns on through the playthroughs)."""
    return score.turn_at(within_beat) + np.asarray(turned_beat) * score.turn_per_beat


def new_wobble(shafts: Shafts, candidate: Candidate, order: float) -> Wobble:
    """Return a wobble of no amplitude, to be told from the strikes."""
    part = np.full(len(shafts.middle), -1)
    if candidate.holds_phase:
        part[shafts.eligible] = 0
        middle = np.zeros(1)
    else:
        part[shafts.eligible] = np.arange(len(shafts.eligible))
        middle = shafts.middle[shafts.eligible]
    zero = np.zeros(len(middle))
    return Wobble(candidate, part, middle, order, zero + order, zero, zero, 0.0)


def columns(wobble: Wobble, line, turn) -> np.ndarray:
    """Return what one unit of A and of B of each part adds, shape=(n, 2 × n_parts): all A first."""
    sine, cosine, on, part, _ = _waves(wobble, line, turn)
    out = np.zeros((len(line), 2 * wobble.n_parts))
    row = np.flatnonzero(on)
    out[row, part[on]] = sine[on]
    out[row, wobble.n_parts + part[on]] = cosine[on]
    return out


def columns_and_creep(wobble: Wobble, line, turn) -> np.ndarray:
    """Return the same and, for a drive that creeps, what one unit of creep of each part adds beside."""
    out = columns(wobble, line, turn)
    if not creeps(wobble):
        return out
    sine, cosine, on, part, away = _waves(wobble, line, turn)
    by_creep = np.zeros((len(line), wobble.n_parts))
    slope_s = wobble.sine[part] * cosine - wobble.cosine[part] * sine
    by_creep[np.flatnonzero(on), part[on]] = (2 * np.pi * wobble.common * away * slope_s)[on]
    return np.hstack([out, by_creep])


def creeps(wobble: Wobble) -> bool:
    return wobble.candidate.creep > 0


def prior_of(wobble: Wobble) -> tuple[np.ndarray, np.ndarray]:
    """Return prior precision and prior mean of the unknowns of `columns_and_creep`."""
    precision, mean = np.full(2 * wobble.n_parts, wobble.precision), np.zeros(2 * wobble.n_parts)
    if creeps(wobble):
        precision = np.r_[precision, np.full(wobble.n_parts, CREEP_SD**-2)]
        mean = np.r_[mean, (wobble.common - wobble.order) / wobble.common]
    return precision, mean


def places_of(wobbles: tuple[Wobble, ...], start: int) -> list[slice]:
    """Return where the unknowns of each wobble lie in the border, from `start` on."""
    found = []
    for wobble in wobbles:
        stop = start + (3 if creeps(wobble) else 2) * wobble.n_parts
        found.append(slice(start, stop))
        start = stop
    return found


def learnt(shafts: Shafts, wobbles: tuple[Wobble, ...], solved: Solved) -> tuple[Wobble, ...]:
    """Return the wobbles as a solution tells them."""
    places = places_of(wobbles, solved.border.places["shaft"].start)
    return tuple(_learnt(shafts, *each, solved) for each in zip(wobbles, places, strict=True))


def alone(wobble: Wobble, place: slice, solved: Solved) -> tuple[np.ndarray, np.ndarray]:
    """Return A and B of all parts as the strikes tell them without their prior, and the information (1/s²) on them."""
    of = slice(place.start, place.start + 2 * wobble.n_parts)
    covariance = solved.solution.beta_covariance[of, of]
    whole = np.linalg.inv(covariance)
    information = whole - wobble.precision * np.eye(len(whole))
    size, axes = np.linalg.eigh((information + information.T) / 2)
    size = np.maximum(size, 1e-6 * np.abs(size).max())
    estimate = axes @ ((axes.T @ whole @ solved.solution.beta[of]) / size)
    return estimate, (axes * size) @ axes.T


def amplitude(wobble: Wobble, place: slice, solved: Solved) -> tuple[float, float]:
    """Return the amplitude and its standard error: the root mean square over the parts, less what noise makes of it.

    Each part says A² + B² less its variance; parts are weighted by how well they tell it.
    """
    estimate, information = alone(wobble, place, solved)
    covariance, n = np.linalg.inv(information), wobble.n_parts
    variance = np.diag(covariance)[:n] + np.diag(covariance)[n:]
    square = estimate[:n] ** 2 + estimate[n:] ** 2 - variance
    # Of A² + B² for normal A, B of variance v/2 each: 2 v a² + v².
    mean = max(float(np.mean(square)), 0.0)
    for _ in range(2):
        weight = 1 / (2 * variance * mean + variance**2)
        mean = max(float(weight @ square / weight.sum()), 0.0)
    error = 1 / np.sqrt((1 / (2 * variance * mean + variance**2)).sum())
    size = np.sqrt(mean)
    return float(size), float(error / (2 * size)) if size > 0 else float(np.sqrt(error))


def creep(wobble: Wobble, place: slice, solved: Solved) -> tuple[float, float]:
    """Return by how much of itself the order of the group is off its present value, and its standard error."""
    of = slice(place.start + 2 * wobble.n_parts, place.stop)
    beta, variance = solved.solution.beta[of], np.diag(solved.solution.beta_covariance)[of]
    precision, mean = (one[2 * wobble.n_parts :] for one in prior_of(wobble))
    told = np.maximum(1 / variance - precision, 1e-6 / variance)
    estimate = (beta / variance - precision * mean) / told + wobble.order / wobble.common - 1
    weight = 1 / (1 / told + CREEP_SD**2)
    return float(weight @ estimate / weight.sum()), float(1 / np.sqrt(weight.sum()))


def _waves(wobble, line, turn):
    part = wobble.part[line]
    on, part = part >= 0, np.maximum(part, 0)
    away = turn - wobble.middle[part]
    angle = 2 * np.pi * wobble.order[part] * away
    return np.sin(angle), np.cos(angle), on, part, away


def _learnt(shafts, wobble, place, solved):
    n, beta = wobble.n_parts, solved.solution.beta[place]
    variance = np.diag(solved.solution.beta_covariance)[place]
    square = float(np.mean(beta[: 2 * n] ** 2 + variance[: 2 * n]))
    found = replace(wobble, sine=beta[:n], cosine=beta[n : 2 * n], precision=1 / max(square, LEAST_VARIANCE_S2))
    if not creeps(wobble):
        return found
    centre = wobble.candidate.order
    within = centre * (1 - MOST_CREEP), centre * (1 + MOST_CREEP)
    # Half of the span lies to each side of the middle.
    most = MOST_CYCLES / (wobble.common * np.maximum(shafts.span[shafts.eligible], 1e-9) / 2)
    moved = np.clip(beta[2 * n :], -most, most)
    common = wobble.common * (1 + np.clip(creep(wobble, place, solved)[0], -most.min(), most.min()))
    if wobble.candidate.shaft is not None:
        common = np.clip(common, *within)
    return replace(found, common=float(common), order=wobble.order + wobble.common * moved)
