"""Say with how much company a misplaced pin comes, where more than one answer goes with its strikes.

A striker whose two neighbours delay it by 9 ms together, on a pin 9 ms late, strikes when one does on a pin 18 ms late
that comes alone: more than 15 ms after them. Takes in which a neighbour missed tell the two apart. Where there are
none, each answer gets its share, company and place are their mean, and the pin's variance holds what lies between.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.timing.strikes import COMPANY_S

REACH_S = 0.06  # how far from where it is written a pin is looked for
FREEDOM = 4.0  # degrees of freedom of the scatter, where answers are weighed
FAR = 1 / 30  # share of the pins that are misplaced, anywhere within the reach


@dataclass(frozen=True, eq=False)
class Answers:
    """What goes with the strikes of one pin.

    Parameters
    ----------
    company : np.ndarray, shape=(n_strikes,)
        Mean company of each strike.
    place_s : float
        The likeliest place.
    variance : float
        Of the place, by the answers alone.
    """

    company: np.ndarray
    place_s: float
    variance: float


def answers(late_s, variance, pace, effect_s: float, apart_s: list, heavy: list, pin_sd_s: float) -> Answers:
    """Weigh the places of one pin.

    Parameters
    ----------
    late_s, variance, pace : np.ndarray, shape=(n_strikes,)
        Lateness of its strikes less everything but pin and company; variance of their scatter; pace over the mean.
    effect_s : float
        Company of its striker.
    apart_s, heavy : list of np.ndarray
        For each strike how much later than where the pin is written each of the others around it comes, and its load.
    pin_sd_s : float
        Standard deviation of the pins that are not misplaced.

    Notes
    -----
    Between two places where a neighbour comes or goes the company is constant, and what is likely about the place is
    a normal density cut off there. The prior is the two parts of all pins.
    """
    ends = np.unique(np.concatenate([np.concatenate(apart_s) + COMPANY_S, np.concatenate(apart_s) - COMPANY_S]))
    ends = np.concatenate([[-REACH_S], ends[np.abs(ends) < REACH_S], [REACH_S]])
    low_s, high_s = ends[:-1], ends[1:]
    middle_s = (low_s + high_s) / 2
    company = np.array(
        [
            [own[np.abs(apart - middle) <= COMPANY_S].sum() for apart, own in zip(apart_s, heavy, strict=True)]
            for middle in middle_s
        ]
    )
    left_s = (late_s - effect_s * company) / pace
    weight = pace**2 / variance
    place_s = left_s @ weight / weight.sum()
    se_s = weight.sum() ** -0.5
    # One strike that slips must not decide: Student's t, though the places are means.
    z2 = (left_s - place_s[:, None]) ** 2 * weight
    squares = ((FREEDOM + 1) * np.log1p(z2 / FREEDOM)).sum(axis=1)
    inside = special.ndtr((high_s - place_s) / se_s) - special.ndtr((low_s - place_s) / se_s)
    place_s = np.clip(place_s, low_s, high_s)
    ordinary = (1 - FAR) * np.exp(-0.5 * (place_s / pin_sd_s) ** 2) / (pin_sd_s * np.sqrt(2 * np.pi))
    share = np.exp(-0.5 * (squares - squares.min())) * inside * (ordinary + FAR / (2 * REACH_S))
    if not share.sum() > 0:
        share = np.isclose(np.arange(len(share)), np.argmin(squares)).astype(float)
    share = share / share.sum()
    mean_s = float(share @ place_s)
    return Answers(share @ company, float(place_s[np.argmax(share)]), float(share @ (place_s - mean_s) ** 2))


def around(line, place_s, load, hit, own_s) -> tuple[list, list]:
    """Return what comes around each of the strikes `hit`, within reach of any place the pin may have.

    Parameters
    ----------
    line, place_s, load : np.ndarray, shape=(n_rows,)
        Line, score time at which it comes, and load of every strike; a load of 0 where it did not fire.
    hit : np.ndarray of int
        Rows of the strikes.
    own_s : np.ndarray
        Score times at which they are written.

    Returns
    -------
    apart_s, heavy : list of np.ndarray
    """
    furthest_s, apart_s, heavy = REACH_S + 2 * COMPANY_S, [], []
    for row, written_s in zip(hit, own_s, strict=True):
        near = np.flatnonzero((line == line[row]) & (np.abs(place_s - written_s) < furthest_s) & (load > 0))
        near = near[near != row]
        apart_s.append(place_s[near] - written_s)
        heavy.append(load[near])
    return apart_s, heavy
