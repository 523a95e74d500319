"""What a listener notices, and what each fault counts: one definition for all stages.

A *noticed fault* is a missed, double or stray strike; a strike that is heard displaced; a chord that is heard to fall
apart, where none of its strikes is heard displaced already; a bar in which the tempo is heard to change.
"""

import numpy as np
import pandas as pd

# Friberg & Sundberg 1995, J. Acoust. Soc. Am. 98(5): one displaced tone in an even row is noticed from the larger of
# the two, for intervals of 100 to 1000 ms; nothing was tried outside them.
NOTICED_S, NOTICED_RATIO = 0.006, 0.025
APART_S = 0.020  # Hirsh 1959, J. Acoust. Soc. Am. 31(6): which of two sounds came first is heard from about 20 ms
# Drake & Botte 1993, Percept. Psychophys. 54: another tempo is noticed from 3 % after six intervals, 1.5 % at best.
TEMPO_RATIO, TEMPO_RATIO_AT_BEST = 0.03, 0.015
TEMPO_BARS = 4  # which a listener holds a bar against; our own choice
# What each counts, in noticed faults: our own choice. No study that we know weighs them against one another.
MISSED_COUNTS, EXTRA_COUNTS, DISPLACED_COUNTS, APART_COUNTS, TEMPO_BAR_COUNTS = 1, 1, 1, 1, 1

CHORD = ["recording", "playthrough", "segment", "score_beat"]


def noticed_from_s(interval_s) -> np.ndarray:
    """Return the displacement (s) that is just noticed after `interval_s` (s); NOTICED_S where that is NaN."""
    return np.fmax(NOTICED_S, NOTICED_RATIO * np.asarray(interval_s, dtype=float))


def is_displaced(strikes: pd.DataFrame) -> np.ndarray:
    """Return, per strike of 'lateness', whether it is heard displaced; one that is not judged is not."""
    return (strikes["felt_s"].abs() > strikes["noticed_from_s"]).to_numpy()


def chord_of(strikes: pd.DataFrame) -> np.ndarray:
    """Number the chords of 'lateness': the strikes of a take that are written together."""
    return strikes.groupby(CHORD, sort=False).ngroup().to_numpy()


def is_apart(chord, late_s) -> np.ndarray:
    """Return, per chord, whether its strikes lie further apart than is heard as one.

    Parameters
    ----------
    chord : np.ndarray of int, shape=(n,)
        From 0, without gaps.
    late_s : np.ndarray, shape=(n,)
        Against one ruler. Notes that share a hit lie together.
    """
    n_chords = int(chord.max()) + 1 if len(chord) else 0
    first, last = np.full(n_chords, np.inf), np.full(n_chords, -np.inf)
    # What no ruler is laid to (NaN) is not apart from anything.
    np.fmin.at(first, chord, late_s)
    np.fmax.at(last, chord, late_s)
    return last - first > APART_S


def chord_faults(chord, late_s, displaced, weight) -> np.ndarray:
    """Return what the strikes of each chord count: those displaced; if none is, once where the chord falls apart.

    Parameters
    ----------
    chord, late_s
        As of `is_apart`.
    displaced : np.ndarray of bool, shape=(n,)
    weight : np.ndarray, shape=(n,)
        1 over the notes that share the hit.
    """
    apart = is_apart(chord, late_s)
    counted = DISPLACED_COUNTS * np.bincount(chord, weight * displaced, len(apart))
    return np.where(counted > 0, counted, APART_COUNTS * apart)


def faults_of(strikes: pd.DataFrame) -> float:
    """Count the noticed faults among the strikes that were played (contract 'lateness')."""
    if not len(strikes):
        return 0.0
    late_s, weight = strikes["late_s"].to_numpy(), 1 / strikes["shared"].to_numpy()
    return float(chord_faults(chord_of(strikes), late_s, is_displaced(strikes), weight).sum())


def bars_of_change(speed, bar) -> int:
    """Count the bars of a track whose mean tempo is TEMPO_RATIO or more off that of the TEMPO_BARS bars before.

    At the start, of as many bars as there are; the first bar counts nothing.

    Parameters
    ----------
    speed : np.ndarray, shape=(n,)
        Relative speed (about 0) at even steps.
    bar : np.ndarray of int, shape=(n,)
        The bar of each step.
    """
    of_bar = pd.Series(speed).groupby(np.asarray(bar)).mean()
    before = of_bar.rolling(TEMPO_BARS, min_periods=1).mean().shift()
    return int(((of_bar - before).abs() >= TEMPO_RATIO).sum())
