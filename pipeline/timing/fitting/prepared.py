"""Hold what one fit of a group keeps fixed through all of its rounds."""

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from pipeline.timing.data.score import Score
from pipeline.timing.data.strikes import Strikes
from pipeline.timing.fitting.shafts import Shafts
from pipeline.timing.model import design


@dataclass(frozen=True, eq=False)
class Hits:
    """The played notes.

    Parameters
    ----------
    line, track, knot, striker : np.ndarray of int, shape=(n_hits,)
    pin : np.ndarray of int, shape=(n_hits,)
        Its place in `Pins`.
    band_pin : np.ndarray of int, shape=(n_hits,)
        The same where the pin's place lies in the band; else −1.
    along_s, u_beat : np.ndarray, shape=(n_hits,)
        Place in the score, unrolled over playthroughs: nominal seconds, nominal beats.
    hit_s, hit_se : np.ndarray, shape=(n_hits,)
        Time since the line's first hit, and its error.
    late_s : np.ndarray, shape=(n_hits,)
        Hit less the preliminary straight line.
    gap_s : np.ndarray, shape=(n_hits,)
        Time since the striker's own last strike, infinite for its first on a line.
    first_company : np.ndarray, shape=(n_hits,)
        Strikes within ±15 ms, every striker as heavy as the mean.
    share : np.ndarray, shape=(n_hits,)
        1 over the notes that share the hit.
    arrival : np.ndarray of int, shape=(n_hits,)
        Number of the hit that several notes share: the first of them struck it. −1: its own.
    first_weight, full_weight : np.ndarray, shape=(n_hits,)
        Weight in the first round (from the hits around); weight of a hit that lies where the model says.
    confidence : np.ndarray, shape=(n_hits,)
        Of the match of hit and note, 0 to 1.
    """

    line: np.ndarray
    track: np.ndarray
    knot: np.ndarray
    striker: np.ndarray
    pin: np.ndarray
    band_pin: np.ndarray
    along_s: np.ndarray
    u_beat: np.ndarray
    hit_s: np.ndarray
    hit_se: np.ndarray
    late_s: np.ndarray
    gap_s: np.ndarray
    first_company: np.ndarray
    share: np.ndarray
    arrival: np.ndarray
    first_weight: np.ndarray
    full_weight: np.ndarray
    confidence: np.ndarray

    def taken(self, use) -> "Hits":
        """Return the hits `use` (a mask or a slice) alone."""
        return Hits(*(getattr(self, one.name)[use] for one in fields(self)))


@dataclass(frozen=True, eq=False)
class Lines:
    """The lines (segments of takes).

    Parameters
    ----------
    start_s, pace : np.ndarray, shape=(n_lines,)
        Preliminary straight line: hit_s = start + pace × along_s.
    beat_s : np.ndarray, shape=(n_lines,)
        Seconds per nominal beat on it.
    first_u_beat, last_u_beat : np.ndarray, shape=(n_lines,)
        First strike (heard or not) and last hit.
    """

    start_s: np.ndarray
    pace: np.ndarray
    beat_s: np.ndarray
    first_u_beat: np.ndarray
    last_u_beat: np.ndarray


@dataclass(frozen=True, eq=False)
class Pins:
    """The pins that some hit is of.

    Parameters
    ----------
    ids : np.ndarray of int, shape=(n_pins,)
    of_row : np.ndarray of int, shape=(n_rows,)
        Pin of each row of the strikes; −1: none of these.
    striker, n_played : np.ndarray of int, shape=(n_pins,)
    u_beat : np.ndarray, shape=(n_pins,)
        Where it is written first.
    has_place : np.ndarray of bool, shape=(n_pins,)
        Its place is an unknown. That of a striker's only pin is not: it cannot be told from the delay.
    border : np.ndarray of int
        Pins whose place lies in the border: those that are struck at several places of the score.
    tied : bool
        So few pins are struck twice that place and scatter cannot be told apart.
    testable : np.ndarray of bool, shape=(n_pins,)
        It can be tested whether the pin is misplaced.
    """

    ids: np.ndarray
    of_row: np.ndarray
    striker: np.ndarray
    n_played: np.ndarray
    u_beat: np.ndarray
    has_place: np.ndarray
    border: np.ndarray
    tied: bool
    testable: np.ndarray


@dataclass(frozen=True, eq=False)
class Strikers:
    """The strikers, by their numbers.

    Parameters
    ----------
    n : int
    n_struck : np.ndarray of int, shape=(n,)
        Strikes that load the machine, heard or not.
    heard, loading, companions, readied : np.ndarray of int
        Those with a hit; with a drag; with an effect of company; with an effect of readiness.
    """

    n: int
    n_struck: np.ndarray
    heard: np.ndarray
    loading: np.ndarray
    companions: np.ndarray
    readied: np.ndarray


@dataclass(frozen=True, eq=False)
class Prepared:
    """What one fit keeps fixed.

    Parameters
    ----------
    frame : pd.DataFrame
        The rows of the strikes that were played.
    layout : design.Layout
        Where the banded unknowns lie.
    subset : np.ndarray of bool, shape=(n_hits,)
        Hits that the scales are found from.
    shafts : Shafts or None
        None where the barrel's turns are not told.
    """

    score: Score
    strikes: Strikes
    frame: pd.DataFrame
    hits: Hits
    lines: Lines
    pins: Pins
    strikers: Strikers
    layout: design.Layout
    subset: np.ndarray
    shafts: Shafts | None
