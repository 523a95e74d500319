"""Hold each strike against the beat that the strikes before carry on: what a listener follows.

A Kalman filter (Kalman 1960; for tempo: Cemgil, Kappen, Desain & Honing 2000, J. New Music Res. 29) follows the beat's
place and its tempo, which wanders, and takes every chord in once. A single odd chord is held back (Masreliez & Martin
1977, IEEE Trans. Autom. Control 22); a second one on the same side is not: the beat itself has moved. The filter's
gains, once found, are fixed, and the filter is linear in what it follows: so `felt_s` splits into the same parts.
`felt_se` is the beat's own error.

Why not least squares through the bar before: n even strikes of scatter σ extrapolate with the variance
σ² (1/n + 3 (n + 1) / (n (n − 1))), 1.5 σ² for four, and worse where few lie close together and far back. The filter
carries the tempo on. Of strikes off by less than is noticed, on simulated machines, least squares called 3 to 19 %, the
filter, its error counted in, 1 to 5 %, and in sparse scores it judged two to five times as many strikes. Of the pins 12
to 25 ms off it found 89 % (379 of 426), least squares 96 % (340 of 353) (tests/benchmarks/timing_felt.py, seeds 8000 to
8011). Where one striker plays a roll alone, its strikes share a delay and the error is too small, by half.
"""

from dataclasses import dataclass

import numpy as np

from pipeline import hearing, robust

SHORTEST_S, LONGEST_S = 0.1, 1.0  # of the intervals that were tried (`hearing`); nothing is judged outside them
SURELY = 2.0  # errors of the felt beat that a strike must stand out from, too
# The listener, the same for all machines, so that their figures compare. Our choice, by simulation (timing_felt): in an
# even row the memory is that of least squares over the last 1.5 to 2 s.
SCATTER_S = 0.004  # of single chords around the beat
WANDER_PER_S = 0.005**2  # variance of the tempo (a ratio) that comes about in a second
FELT_CHORDS = 4  # fewest that make a beat
# A beat less sure than this is lost: 1.4 to 1.6 s after the last strike of an even row. People keep none when strikes
# are about 1.8 s and more apart (Repp 2005, Psychon. Bull. Rev. 12; from memory).
LOST_S = 0.010
ODD = 3.0  # scatters from which a chord is odd
UNKNOWN = 1.0  # variance of place (s²) and tempo before the first strike: nothing is known


@dataclass(frozen=True, eq=False)
class Pulls:
    """How a line's chords pull the felt beat: all that does not depend on the parts.

    Parameters
    ----------
    of_place, of_tempo : np.ndarray, shape=(n_chords,)
        How much of a chord's distance from the beat goes to the beat's place and to its tempo (1/s); 0 for one unheard.
    variance : np.ndarray, shape=(n_chords,)
        Of the beat's place before each chord (s²), if single chords scatter by SCATTER_S.
    away : np.ndarray, shape=(n_chords,)
        Distance of each chord from the beat, over what is expected; NaN for one unheard.
    """

    of_place: np.ndarray
    of_tempo: np.ndarray
    variance: np.ndarray
    away: np.ndarray


def noticed_from_s(interval_s) -> np.ndarray:
    """Return the displacement that is just noticed after `interval_s` (s); NaN where nobody tried."""
    interval_s = np.asarray(interval_s, dtype=float)
    tried = (interval_s >= SHORTEST_S) & (interval_s <= LONGEST_S)
    return np.where(tried, hearing.noticed_from_s(interval_s), np.nan)


def limit_s(interval_s, felt_se) -> np.ndarray:
    """Return what the distance from the felt beat must exceed to be noticed: beyond the error of the beat, too."""
    return np.hypot(noticed_from_s(interval_s), SURELY * felt_se)


def felt_of(place_s, chord, parts_s, good, n_parts=None) -> tuple[np.ndarray, np.ndarray]:
    """Return every strike's parts minus those of the beat that the strikes before its chord carry on.

    Parameters
    ----------
    place_s : np.ndarray, shape=(n,), sorted
        When each strike is due, at a steady tempo.
    chord : np.ndarray of int, shape=(n,)
        The same for strikes that follow each other and are due together.
    parts_s : np.ndarray, shape=(n, k)
        Lateness against that steady tempo; its parts.
    good : np.ndarray of bool, shape=(n,)
        Strikes that the beat follows (no freak hits).
    n_parts : int, optional
        Columns of `parts_s` that add up to the lateness (default: all); the filter does not see the others.

    Returns
    -------
    felt_s : np.ndarray, shape=(n, k)
        NaN before the fifth chord and where the beat is lost.
    felt_se : np.ndarray, shape=(n,)
        Standard error of the beat, from the line's own scatter and what is remembered; NaN where felt_s is.
    """
    number = np.r_[0, np.cumsum(np.diff(chord) != 0)]
    n_good = np.bincount(number, good)
    heard = n_good > 0
    share = good / np.maximum(n_good, 1)[number]
    of_chord_s = np.stack([np.bincount(number, share * part_s) for part_s in parts_s.T], axis=1)
    at_s = place_s[np.r_[True, np.diff(number) > 0]]
    total_s = of_chord_s[:, :n_parts].sum(axis=1)
    scatter = scatter_of(pulls(at_s, total_s, heard))
    found = pulls(at_s, total_s, heard, ODD * scatter)
    felt_se = scatter_of(found) * np.sqrt(found.variance)
    known = (np.cumsum(heard) - heard >= FELT_CHORDS) & (found.variance <= LOST_S**2)
    felt_se[~known] = np.nan
    felt_s = parts_s - carried(at_s, of_chord_s, found)[number]
    felt_s[~known[number]] = np.nan
    return felt_s, felt_se[number]


def pulls(at_s, total_s, heard, odd=np.inf) -> Pulls:
    """Run the filter along the chords of a line; a chord further than `odd` away is held back unless it is the second.

    Held back: it moves the beat as if it were `odd` away. The variance follows (Masreliez & Martin 1977).
    """
    n = len(at_s)
    of_place, of_tempo, variance, away = np.zeros(n), np.zeros(n), np.zeros(n), np.full(n, np.nan)
    place, tempo, before_s, last_odd = 0.0, 0.0, at_s[0], 0.0
    v_place, v_both, v_tempo = UNKNOWN, 0.0, UNKNOWN
    for k, (now_s, late_s, is_heard) in enumerate(zip(at_s.tolist(), total_s.tolist(), heard.tolist(), strict=True)):
        gone_s = now_s - before_s
        before_s = now_s
        place += gone_s * tempo
        v_place += gone_s * (2 * v_both + gone_s * (v_tempo + gone_s * WANDER_PER_S / 3))
        v_both += gone_s * (v_tempo + gone_s * WANDER_PER_S / 2)
        v_tempo += gone_s * WANDER_PER_S
        variance[k] = v_place
        if not is_heard:
            continue
        expected, away_s = v_place + SCATTER_S**2, late_s - place
        away[k] = z = away_s / expected**0.5
        is_odd = abs(z) > odd
        hold = odd / abs(z) if is_odd and z * last_odd <= 0 else 1.0
        last_odd = z if is_odd else 0.0
        of_place[k], of_tempo[k] = hold * v_place / expected, hold * v_both / expected
        place += of_place[k] * away_s
        tempo += of_tempo[k] * away_s
        v_tempo -= of_tempo[k] * v_both
        v_both -= of_tempo[k] * v_place
        v_place -= of_place[k] * v_place
    return Pulls(of_place, of_tempo, variance, away)


def scatter_of(found: Pulls) -> float:
    """Return the line's scatter over what the filter expects: root mean square, single far ones drawn in."""
    away = found.away[np.isfinite(found.away)][FELT_CHORDS:]
    if len(away) == 0:
        return 1.0
    far = ODD * robust.SD_OF_MAD * np.median(np.abs(away))
    return float(np.sqrt(np.mean(np.minimum(np.abs(away), far) ** 2)))


def carried(at_s, of_chord_s, found: Pulls) -> np.ndarray:
    """Return the parts of the felt beat before each chord, shape=(n_chords, k): linear in `of_chord_s`."""
    beat_s = np.empty_like(of_chord_s)
    place_s, tempo = np.zeros(of_chord_s.shape[1]), np.zeros(of_chord_s.shape[1])
    gone_s = np.diff(at_s, prepend=at_s[:1])
    for k in range(len(at_s)):
        place_s = place_s + gone_s[k] * tempo
        beat_s[k] = place_s
        away_s = of_chord_s[k] - place_s
        place_s = place_s + found.of_place[k] * away_s
        tempo = tempo + found.of_tempo[k] * away_s
    return beat_s
