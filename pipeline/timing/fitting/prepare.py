"""Prepare a fit: work out what stays fixed through all of its rounds."""

import numpy as np

from pipeline import settings
from pipeline.timing.data import strikes as struck
from pipeline.timing.data.score import Score
from pipeline.timing.data.strikes import Strikes
from pipeline.timing.fitting import hit_weights, priors
from pipeline.timing.fitting.prepared import Hits, Lines, Pins, Prepared, Strikers
from pipeline.timing.fitting.shafts import shafts_of
from pipeline.timing.model import design, straight_lines

SCALE_HITS = 5000  # that the scales are found from: their likelihood costs most of the time; free: 0.04
SCALE_TRACKS = 6  # tracks that these hits are of, at most: whole ones tell pins from scatter; free: 0.05
SCALE_KNOTS = 16  # by which the stretch of the score that they are of is made longer; free: 0
FEWEST_REPEATS = 10  # strikes beyond the first of their pin, from which on place and scatter can be told apart; free: 0
LEAST_PACE = 0.05  # seconds per nominal second: a line twenty times too fast is one chord, or no song; free: 0
EVEN_ROW = 0.01  # spread of the steps between notes, over their mean, below which they come in an even row; free: 0
COMPANY_SPREAD = 0.2  # spread of company (mean strikes) below which its effect cannot be told from the delay; free: 0
FADE_SPREAD = 0.05  # spread of e^(−gap/ρ) below which readiness cannot be told from the delay; free: 0.005
# Pins (each as far as it weighs) below which an effect cannot be told from their places. Half is free: 0.008; with
# twice as many, a true company of some songs is not told and goes into delay and pins (errors of delays 1.65 as large).
EFFECT_PINS = 4.0


def prepare(score: Score, strikes: Strikes, machine: settings.Machine) -> Prepared:
    """Return what the fit of the strikes of a group keeps fixed (at least one note was played)."""
    frame = strikes.rows[strikes.rows["played"]].reset_index(drop=True)
    share = 1 / frame["shared"].to_numpy()
    weight = hit_weights.never_all_zero(struck.first_weights(strikes), frame["track"].to_numpy(), share)
    lines, late_s = _lines(score, strikes, frame, weight)
    pins, *pins_of_hits = _pins(score, strikes, frame)
    hits = _hits(strikes, frame, lines, late_s, pins_of_hits, weight)
    layout = design.layout_of(score, hits.track, hits.knot, hits.band_pin, len(pins.ids))
    strikers = _strikers(score, strikes, hits, len(pins.ids))
    shafts = shafts_of(machine, score, frame)
    return Prepared(score, strikes, frame, hits, lines, pins, strikers, layout, _subset(score, hits), shafts)


def usable_pace(pace, otherwise):
    """Return the pace of each line, or `otherwise` where it is below LEAST_PACE.

    Parameters
    ----------
    pace : np.ndarray, shape=(n_lines,)
        Seconds per nominal second.
    otherwise : float or np.ndarray, shape=(n_lines,)
    """
    return np.where(pace > LEAST_PACE, pace, otherwise)


def _lines(score, strikes, frame, weight):
    """Return the lines, and each hit's lateness against the straight line of its line."""
    line, along_s, hit_s = (frame[name].to_numpy() for name in ("line", "along_s", "since_s"))
    n_lines, use = strikes.n_lines, weight > 0
    _, pace = straight_lines.start_and_slope(hit_s, line, along_s, np.arange(n_lines), use)
    # A line of one hit, or of one chord, says nothing of the tempo: then the written one.
    pace = usable_pace(pace, 1.0)
    at_zero_s = hit_s - pace[line] * along_s
    counts = np.bincount(line[use], minlength=n_lines)
    start_s = np.bincount(line[use], at_zero_s[use], n_lines) / np.maximum(counts, 1)
    fires = strikes.rows[strikes.rows["fires"]]
    first_u_beat = fires.groupby("line")["u_beat"].min().reindex(range(n_lines)).to_numpy()
    last_u_beat = frame.groupby("line")["u_beat"].max().reindex(range(n_lines)).to_numpy()
    return Lines(start_s, pace, pace / score.beat_per_s, first_u_beat, last_u_beat), at_zero_s - start_s[line]


def _pins(score, strikes, frame):
    """Return the pins, the pin of each hit, and the same where its place lies in the band (else −1)."""
    ids, pin = np.unique(frame["pin"].to_numpy(), return_inverse=True)
    all_pins = strikes.rows["pin"].to_numpy()
    of_row = np.minimum(np.searchsorted(ids, all_pins), len(ids) - 1)
    of_row = np.where(ids[of_row] == all_pins, of_row, -1)
    striker = np.zeros(len(ids), dtype=int)
    striker[pin] = frame["striker"]
    n_played = np.bincount(pin, minlength=len(ids))
    # Of a hit that is the first of several notes' nothing tells whose pin is out of place.
    n_own = np.bincount(pin, frame["shared"].to_numpy() == 1, len(ids))
    has_place = np.bincount(striker, minlength=len(strikes.striker_names))[striker] > 1
    knots = frame.groupby("pin")["knot"].agg(["nunique", "min"])
    one_knot = knots["nunique"].to_numpy() == 1
    n_repeats = int((n_played[has_place] - 1).clip(0).sum())
    tied = n_repeats < FEWEST_REPEATS
    pins = Pins(
        ids=ids,
        of_row=of_row,
        striker=striker,
        n_played=n_played,
        u_beat=score.knot_u_beat[knots["min"]],
        has_place=has_place,
        border=np.flatnonzero(has_place & ~one_knot),
        tied=tied,
        testable=has_place & (n_own >= 2) & (not tied),
    )
    return pins, pin, np.where((has_place & one_knot)[pin], pin, -1)


def _hits(strikes, frame, lines, late_s, pins_of_hits, weight):
    pin, band_pin = pins_of_hits
    column = {name: frame[name].to_numpy() for name in ("line", "track", "knot", "striker", "along_s", "u_beat")}
    share, confidence = 1 / frame["shared"].to_numpy(), frame["confidence"].to_numpy()
    played = strikes.rows["played"].to_numpy()
    mean_strikers = np.ones(len(strikes.striker_names))
    return Hits(
        **column,
        pin=pin,
        band_pin=band_pin,
        hit_s=frame["since_s"].to_numpy(),
        hit_se=frame["hit_se"].to_numpy(),
        late_s=late_s,
        gap_s=struck.gap_s(strikes, lines.pace)[played],
        first_company=struck.company(strikes, mean_strikers)[played],
        share=share,
        arrival=_arrivals(frame),
        first_weight=weight,
        # From the second round on the model itself says which hit is another strike, and who struck a shared one.
        full_weight=np.where(confidence >= struck.UNSURE, 1.0, 0.0),
        confidence=confidence,
    )


def _arrivals(frame):
    shared = frame["shared"].to_numpy() > 1
    number = frame.groupby(["take", "hit_id"], dropna=False).ngroup().to_numpy()
    return np.where(shared, number, -1)


def _strikers(score, strikes, hits, n_pins):
    n = len(strikes.striker_names)
    fires = strikes.rows.loc[strikes.rows["fires"], "striker"]
    n_struck = np.bincount(fires, minlength=n)
    heard, loading = np.flatnonzero(np.bincount(hits.striker, minlength=n)), np.flatnonzero(n_struck)
    if len(loading) == 1 and _in_even_row(score.notes["u_beat"].to_numpy()):
        # One striker in an even row loads the machine evenly: its drag cannot be told from the mean speed.
        loading = loading[:0]
    # An effect that is the same in all strikes of a striker cannot be told from its delay.
    companions = _told_from_delay(hits, hits.first_company, COMPANY_SPREAD, heard, n_pins)
    readied = _told_from_delay(hits, np.exp(-hits.gap_s / priors.READY_S), FADE_SPREAD, heard, n_pins)
    return Strikers(n, n_struck, heard, loading, companions, readied)


def _in_even_row(u_beat):
    step = np.diff(np.sort(u_beat))
    return len(step) == 0 or np.ptp(step) < EVEN_ROW * step.mean()


def _told_from_delay(hits, values, least_spread, heard, n_pins):
    """Return the strikers over whose strikes `values` spread by more than `least_spread`, and over enough pins.

    By one pin or two, an effect cannot be told from the places of these pins.
    """
    told = []
    for one in heard:
        mine = hits.striker == one
        by_pin = np.bincount(hits.pin[mine], values[mine] - values[mine].mean(), n_pins) ** 2
        if values[mine].std() > least_spread and by_pin.sum() ** 2 > EFFECT_PINS * (by_pin**2).sum():
            told.append(one)
    return np.array(told, dtype=int)


def _subset(score, hits):
    """Return which hits the scales are found from: a few whole tracks, cut to a stretch of the score."""
    if len(hits.line) <= SCALE_HITS:
        return np.ones(len(hits.line), dtype=bool)
    tracks = np.argsort(-np.bincount(hits.track), kind="stable")[:SCALE_TRACKS]
    inside = np.isin(hits.track, tracks)
    for knot in range(1, len(score.knot_u_beat) + 1, SCALE_KNOTS):
        if (inside & (hits.knot < knot)).sum() >= SCALE_HITS:
            return inside & (hits.knot < knot)
    return inside
