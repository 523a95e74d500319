"""Find shafts out of true: those that are named near the order of their drive, then orders that nobody named.

One wobble after the other: the most significant one enters the model, and the rest is looked at again. Named ones are
one family (Benjamini & Hochberg 1995), whose chances count the ±4 % over which the order was looked for; an order that
nobody named counts the whole range. Where the noise about an order is greater than the model says (the slow motion of a
crew is not what the model takes it for), the test is held against the noise that is there.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage, special, stats

from pipeline.timing.fitting import shafts
from pipeline.timing.fitting.prepared import Prepared
from pipeline.timing.fitting.shafts import Candidate, Wobble
from pipeline.timing.fitting.solve import solve
from pipeline.timing.fitting.state import State
from pipeline.timing.model import design, normal_equations, periodogram
from pipeline.timing.model.normal_equations import Data, Scales
from pipeline.timing.model.solution import Solved

NAMED_Q = 0.01  # false discovery rate among the named shafts; with the next, false alarms in 2 % of all runs
UNNAMED_CHANCE = 0.01  # of an order that nobody named, over the whole range
UNNAMED_ORDERS = (0.5, 30.0)  # per turn of the barrel
MOST_WOBBLES = 6  # in one model: a machine with more is not told by sines
OVERSAMPLING = 4  # orders per 1/(turns of the longest line): the power at the nearest is 5 % low at most
TRACK_SAMPLING = 2  # orders per 1/(turns of a track) at which that is worked out: it changes slowly
EXACT_TRACKS = 3  # tracks whose slow motion is followed at every order; the others are like their mean
AROUND = 8  # orders to both sides, in 1/(turns of the longest line), that tell the noise about an order
APART = 1.5  # the same, within which two wobbles cannot be told apart
# A second harmonic is named rather than a first one when the creep explains it better: creep in units of what is usual.
USUAL_CREEP = 0.01
HARMONIC_COST = 4.0  # of the second, in squares of that: most pulleys are eccentric rather than oval
ROUNDS = 2  # in which a new wobble finds its order before the next is looked for
SURE = 0.95  # chance to find a wobble as large as what is called not overlooked


@dataclass(frozen=True, eq=False)
class Powers:
    """Chi-squares along the orders, and how much greater they are around each than chance makes them, at least 1.

    Parameters
    ----------
    apart, apart_noise : np.ndarray, shape=(n_orders,)
        Each line with a phase of its own.
    together_noise : np.ndarray, shape=(n_orders,)
        One phase for all lines: what the model does not say of the song's own pattern comes back in every take.
    """

    apart: np.ndarray
    apart_noise: np.ndarray
    together_noise: np.ndarray

    def noise(self, candidate: Candidate) -> np.ndarray:
        return self.together_noise if candidate.holds_phase else self.apart_noise


@dataclass(frozen=True, eq=False)
class Scan:
    """The orders that are looked at, and how well the strikes tell each.

    Parameters
    ----------
    orders : np.ndarray, shape=(n_orders,)
    information : np.ndarray, shape=(n_lines, n_orders)
        Of each eligible line.
    turns : float
        Of the longest line.
    variance : float
        Of the turns of the hits about the middle of their line, the greatest.
    """

    orders: np.ndarray
    information: np.ndarray
    turns: float
    variance: float


def search(prepared: Prepared, state: State, scales: Scales) -> State:
    """Return the state with the wobbles that are significant: those that it holds and new ones."""
    if prepared.shafts is None or len(prepared.shafts.eligible) == 0:
        return state
    solved = solve(prepared, state, scales)
    scan = scan_of(prepared, solved)
    kept = withdraw(prepared, state, solved, scan)
    if len(kept.wobbles) < len(state.wobbles):
        solved = None
        solved = solve(prepared, kept, scales)
    state = kept
    while len(state.wobbles) < MOST_WOBBLES:
        wobble = _next(prepared, state, solved, scan)
        if wobble is None:
            break
        state = replace(state, wobbles=(*state.wobbles, wobble))
        for _ in range(ROUNDS):
            solved = None  # large: no two at a time
            solved = solve(prepared, state, scales)
            state = replace(state, wobbles=shafts.learnt(prepared.shafts, state.wobbles, solved))
        solved = None
        solved = solve(prepared, state, scales)
    return state


def withdraw(prepared: Prepared, state: State, solved: Solved, scan: Scan | None = None) -> State:
    """Return the state without the wobbles that are not significant any more, the others with their q-value."""
    if not state.wobbles:
        return state
    scan = scan_of(prepared, solved) if scan is None else scan
    found = powers_of(prepared, solved, scan)
    places = shafts.places_of(state.wobbles, solved.border.places["shaft"].start)
    chances = [
        _chance_of(scan, one, _chi_square(one, place, solved), found)
        for one, place in zip(state.wobbles, places, strict=True)
    ]
    named = [one.candidate.shaft is not None for one in state.wobbles]
    q = _q_values(np.array(chances), np.array(named), len(prepared.shafts.candidates))
    kept = tuple(
        replace(one, q_value=float(value))
        for one, value in zip(state.wobbles, q, strict=True)
        if value <= (NAMED_Q if one.candidate.shaft is not None else UNNAMED_CHANCE)
    )
    return replace(state, wobbles=kept)


def least_s(prepared: Prepared, state: State, solved: Solved) -> float:
    """Return the amplitude from which on every named shaft's wobble would have been found, 95 times in 100.

    Returns
    -------
    float
        NaN where no shaft is named, and where the slow motion takes the wobble of one of them whole.
    """
    if prepared.shafts is None or len(prepared.shafts.eligible) == 0:
        return np.nan
    candidates = [one for one in prepared.shafts.candidates if one.shaft != shafts.BARREL and one.harmonic == 1]
    held = {(one.candidate.shaft, one.candidate.harmonic) for one in state.wobbles}
    candidates = [one for one in candidates if (one.shaft, one.harmonic) not in held]
    if not candidates:
        return np.nan
    scan = scan_of(prepared, solved)
    found = powers_of(prepared, solved, scan)
    chance = NAMED_Q / max(len(prepared.shafts.candidates), 1)
    return float(max(_least_s(prepared, solved, scan, one, found, chance) for one in candidates))


def scan_of(prepared: Prepared, solved: Solved) -> Scan:
    """Return the orders to look at and what each line tells of them."""
    shaft, hits, data = prepared.shafts, prepared.hits, solved.data
    turns = float(shaft.span[shaft.eligible].max())
    highest = max([UNNAMED_ORDERS[1], *(one.order * (1 + shafts.MOST_CREEP) for one in shaft.candidates)])
    orders = np.arange(UNNAMED_ORDERS[0], highest + 1 / turns, 1 / (OVERSAMPLING * turns))
    certain = data.weight / normal_equations.hit_variance(data, solved.scales) * _left_by_pins(prepared, solved)
    by_track = _information_by_track(prepared, solved, certain, orders)
    line_of_track = np.zeros(len(by_track), dtype=int)
    line_of_track[hits.track] = hits.line
    information = np.stack([by_track[line_of_track == one].sum(axis=0) for one in shaft.eligible])
    away = shaft.turn - shaft.middle[hits.line]
    variance = max(float(np.mean(away[hits.line == one] ** 2)) for one in shaft.eligible)
    return Scan(orders, information, turns, variance)


def powers_of(prepared: Prepared, solved: Solved, scan: Scan) -> Powers:
    """Return the chi-square of a sine at each order in what the solution leaves."""
    hits, data, eligible = prepared.hits, solved.data, prepared.shafts.eligible
    rest = (data.late_s - solved.fitted_s()) * data.weight / normal_equations.hit_variance(data, solved.scales)
    n_tracks, n_knots = int(hits.track.max()) + 1, int(hits.knot.max()) + 1
    summed = np.bincount(hits.track * n_knots + hits.knot, rest, n_tracks * n_knots).reshape(n_tracks, n_knots)
    struck = summed.any(axis=0)
    knot_turn = prepared.score.turn_at(prepared.score.knot_u_beat[:n_knots])
    offset_turn, part = np.zeros(n_tracks), np.full(n_tracks, -1)
    offset_turn[hits.track] = prepared.shafts.turn - knot_turn[hits.knot]
    part_of_line = np.full(len(prepared.shafts.middle), -1)
    part_of_line[eligible] = np.arange(len(eligible))
    part[hits.track] = part_of_line[hits.line]
    where = scan.orders, knot_turn[struck], offset_turn, summed[:, struck]
    apart = periodogram.powers(*where, part, scan.information)
    whole = scan.information.sum(axis=0, keepdims=True)
    together = periodogram.powers(*where, np.where(part >= 0, 0, -1), whole)
    return Powers(apart, noise_about(scan, apart, 2 * len(eligible)), noise_about(scan, together, 2))


def noise_about(scan: Scan, power, df: int) -> np.ndarray:
    """Return at each order how much greater the powers around it are than chance makes them, at least 1."""
    size = min(2 * AROUND * OVERSAMPLING + 1, len(power))
    return np.maximum(ndimage.median_filter(power, size, mode="nearest") / stats.chi2.median(df), 1.0)


def _left_by_pins(prepared, solved):
    """Return the share of each hit's certainty that its pin's place leaves."""
    data, pin, n_pins = solved.data, prepared.hits.pin, len(prepared.pins.ids)
    certain = data.weight / normal_equations.hit_variance(data, solved.scales)
    prior = np.where(data.flagged, 0.0, solved.scales.pin_sd_s**-2)
    of_pin = (np.bincount(pin, certain, n_pins) + prior)[pin]
    return np.where(prepared.pins.has_place[pin] & (of_pin > 0), 1 - certain / np.maximum(of_pin, 1e-300), 1.0)


def _information_by_track(prepared, solved, certain, orders):
    """Return what each track tells of each order; those beyond EXACT_TRACKS as the mean of these."""
    hits = prepared.hits
    total = np.bincount(hits.track, certain)
    exact = np.argsort(-total, kind="stable")[:EXACT_TRACKS]
    exact = exact[total[exact] > 0]
    share = np.empty((len(exact), len(orders)))
    for number, track in enumerate(exact):
        share[number] = _of_track(prepared, solved, certain, orders, hits.track == track) / total[track]
    found = total[:, None] * share.mean(axis=0)
    found[exact] = total[exact, None] * share
    return found


def _of_track(prepared, solved, certain, orders, use):
    hits = prepared.hits
    use = np.flatnonzero(use)[certain[use] > 0]
    turn = prepared.shafts.turn[use]
    n = len(use)
    layout = design.layout_of(prepared.score, np.zeros(n, dtype=int), hits.knot[use], np.full(n, -1), 1)
    data = Data(
        late_s=np.zeros(n),
        hit_se=solved.data.hit_se[use],
        weight=(certain * normal_equations.hit_variance(solved.data, solved.scales))[use],
        scatter=solved.data.scatter[use],
        relative_pace=np.ones(n),
        flagged=np.zeros(1, dtype=bool),
        beat_s=solved.data.beat_s,
    )
    # Orders lie closer along a line of many tracks than one track can tell apart.
    span = max(float(np.ptp(turn)), 1e-9)
    n_coarse = int(min(len(orders), np.ceil(np.ptp(orders) * span * TRACK_SAMPLING) + 2))
    coarse = np.linspace(orders[0], orders[-1], n_coarse)
    return np.interp(orders, coarse, periodogram.wave_information(layout, data, solved.scales, coarse, turn))


def _next(prepared, state, solved, scan) -> Wobble | None:
    """Return the most significant wobble that the model does not hold yet; None when none is."""
    powers = powers_of(prepared, solved, scan)
    level = np.where(_taken(scan, state), 0.0, powers.apart / powers.apart_noise)
    tried = [_at_peak(prepared, solved, scan, one, level, powers) for one in _open(prepared, state)]
    chances = np.array([chance for _, chance in tried])
    if len(tried):
        q = _q_values(chances, np.ones(len(tried), dtype=bool), len(prepared.shafts.candidates))
        best = int(np.argmin(chances))
        if q[best] <= NAMED_Q:
            return _best_named(scan, tried, chances, best, q[best])
    named = np.zeros(len(scan.orders), dtype=bool)
    for one in prepared.shafts.candidates:
        named |= np.abs(scan.orders - one.order) <= max(one.creep * one.order, APART / scan.turns)
    free = np.where(named | (scan.orders > UNNAMED_ORDERS[1]), 0.0, level)
    nobody = Candidate(None, 1, float(scan.orders[np.argmax(free)]), 1.0, False)
    wobble, chance = _at_peak(prepared, solved, scan, nobody, free, powers)
    return replace(wobble, q_value=chance) if chance <= UNNAMED_CHANCE else None


def _open(prepared, state):
    """Return the named candidates that the model does not hold yet."""
    held = {(one.candidate.shaft, one.candidate.harmonic) for one in state.wobbles}
    return [one for one in prepared.shafts.candidates if (one.shaft, one.harmonic) not in held]


def _taken(scan, state):
    """Return the orders that cannot be told from a wobble that the model holds."""
    taken = np.zeros(len(scan.orders), dtype=bool)
    for one in state.wobbles:
        taken |= np.abs(scan.orders - one.common) <= APART / scan.turns
    return taken


def _at_peak(prepared, solved, scan, candidate, level, powers):
    """Return the wobble of a candidate at its highest power, and how probable that is by chance."""
    peak = candidate.order
    if candidate.creep:
        inside = np.abs(scan.orders - candidate.order) <= candidate.creep * candidate.order
        if not (level[inside] > 0).any():
            return shafts.new_wobble(prepared.shafts, candidate, peak), 1.0
        peak = float(scan.orders[np.argmax(np.where(inside, level, -1.0))])
    elif level[np.argmin(np.abs(scan.orders - peak))] == 0:
        return shafts.new_wobble(prepared.shafts, candidate, peak), 1.0
    wobble = shafts.new_wobble(prepared.shafts, candidate, peak)
    columns = shafts.columns(wobble, prepared.hits.line, prepared.shafts.turn)
    tested = periodogram.score_test(solved, columns)
    n = wobble.n_parts
    square = float(np.mean(tested.estimate**2))
    wobble = replace(
        wobble,
        sine=tested.estimate[:n],
        cosine=tested.estimate[n:],
        precision=1 / max(square, shafts.LEAST_VARIANCE_S2),
    )
    return wobble, _chance_of(scan, wobble, tested.chi_square, powers)


def _best_named(scan, tried, chances, best, q_value):
    """Return the wobble at the best one's order, named after the shaft that needs least creep to turn so.

    Two shafts may turn so nearly alike that the strikes fit both.
    """
    order = tried[best][0].common
    costs = []
    for (wobble, _), chance in zip(tried, chances, strict=True):
        here = abs(wobble.common - order) <= APART / scan.turns and chance <= np.sqrt(chances[best])
        away = (wobble.common / wobble.candidate.order - 1) / USUAL_CREEP
        costs.append(away**2 + HARMONIC_COST * (wobble.candidate.harmonic > 1) if here else np.inf)
    return replace(tried[int(np.argmin(costs))][0], q_value=float(q_value))


def _width(scan, candidate):
    """Return the width of the orders that were looked at."""
    if candidate.shaft is None:
        return UNNAMED_ORDERS[1] - UNNAMED_ORDERS[0]
    return 2 * candidate.creep * candidate.order


def _chance_of(scan, wobble, chi_square, powers):
    about = powers.noise(wobble.candidate)[np.argmin(np.abs(scan.orders - wobble.common))]
    width = _width(scan, wobble.candidate)
    return periodogram.false_alarm(chi_square / about, 2 * wobble.n_parts, width, scan.variance)


def _chi_square(wobble, place, solved):
    estimate, information = shafts.alone(wobble, place, solved)
    return float(estimate @ information @ estimate)


def _q_values(chances, named, n_family):
    """Return false discovery rates: of named shafts among all that are named, of others as they are."""
    q = chances.copy()
    if named.any():
        others = np.ones(max(n_family - int(named.sum()), 0))
        q[named] = stats.false_discovery_control(np.r_[chances[named], others])[: named.sum()]
    return q


def _least_s(prepared, solved, scan, candidate, powers, chance):
    wobble = shafts.new_wobble(prepared.shafts, candidate, candidate.order)
    columns = shafts.columns(wobble, prepared.hits.line, prepared.shafts.turn)
    information = periodogram.score_test(solved, columns).information
    about = powers.noise(candidate)[np.argmin(np.abs(scan.orders - candidate.order))]
    df, width = 2 * wobble.n_parts, _width(scan, candidate)
    needed = about * periodogram.level(chance, df, width, scan.variance)
    # A wave of amplitude a and any phase raises the chi-square by a²/2 × trace.
    beyond = special.chndtrinc(needed / about, df, 1 - SURE) * about
    per_square = np.trace(information) / 2
    return np.sqrt(beyond / per_square) if per_square > 0 else np.inf
