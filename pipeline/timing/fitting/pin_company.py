"""Find the company of a misplaced pin where more than one answer fits its strikes.

A strike is 18 ms late, and two neighbours together delay its striker by 9 ms: its pin is 9 ms late and comes with them;
or it is 18 ms late and comes alone, more than 15 ms after them. Takes in which a neighbour missed tell the two apart.
Where there are none, company and place are means over both answers, and the pin's variance holds their difference.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.timing.data.strikes import COMPANY_S

REACH_S = 0.06  # how far from where it is written a pin is looked for; free: 0.004
SCATTER_DF = 4.0  # degrees of freedom of the scatter where places are weighed: one slip must not decide; free: 0
MISPLACED_SHARE = 1 / 30  # of all pins, with a place anywhere within the reach; free: 0.004


@dataclass(frozen=True, eq=False)
class EveryStrike:
    """Line, score time at which it comes, and load (mean strikes; 0: did not fire) of every strike, shape=(n_rows,)."""

    line: np.ndarray
    place_s: np.ndarray
    load: np.ndarray


@dataclass(frozen=True, eq=False)
class Neighbours:
    """What comes around one strike: how much later (s) than where the strike is written, and its load."""

    apart_s: np.ndarray
    load: np.ndarray

    def within(self, place_s: float) -> float:
        """Return the load within ±15 ms of a place, seconds from where the strike is written."""
        return self.load[np.abs(self.apart_s - place_s) <= COMPANY_S].sum()


@dataclass(frozen=True, eq=False)
class PinStrikes:
    """The strikes of one pin.

    Parameters
    ----------
    late_s, variance : np.ndarray, shape=(n_strikes,)
        Lateness less everything but pin and company; variance of the scatter, s² (infinite: the strike does not count).
    relative_pace : np.ndarray, shape=(n_strikes,)
        Pace over the mean of all.
    neighbours : list of Neighbours
        Of each strike.
    """

    late_s: np.ndarray
    variance: np.ndarray
    relative_pace: np.ndarray
    neighbours: list[Neighbours]


@dataclass(frozen=True, eq=False)
class PinCompany:
    """What fits the strikes of one pin.

    Parameters
    ----------
    company : np.ndarray, shape=(n_strikes,)
        Mean company of each strike over the possible places.
    place_s : float
        The likeliest place.
    variance : float
        Of the place, between the answers alone, s².
    """

    company: np.ndarray
    place_s: float
    variance: float


def neighbours_of(every: EveryStrike, rows, written_s) -> list[Neighbours]:
    """Return what comes around each of the strikes `rows`, within reach of any place that their pin may have.

    Parameters
    ----------
    rows : np.ndarray of int, shape=(n_strikes,)
        Places of the strikes in `every`.
    written_s : np.ndarray, shape=(n_strikes,)
        Score times at which they are written.
    """
    furthest_s, found = REACH_S + 2 * COMPANY_S, []
    for row, own_s in zip(rows, written_s, strict=True):
        same = (every.line == every.line[row]) & (np.abs(every.place_s - own_s) < furthest_s) & (every.load > 0)
        near = np.flatnonzero(same)
        near = near[near != row]
        found.append(Neighbours(every.place_s[near] - own_s, every.load[near]))
    return found


def weigh_places(strikes: PinStrikes, effect_s: float, pin_sd_s: float) -> PinCompany:
    """Weigh the possible places of one pin.

    Parameters
    ----------
    effect_s : float
        By how much a mean strike within ±15 ms delays its striker.
    pin_sd_s : float
        Standard deviation of the pins that are not misplaced.

    Notes
    -----
    Between two places where a neighbour comes within or leaves ±15 ms the company is constant, and the density of the
    place is a normal one cut off there. The prior is that of all pins: most normal, a few anywhere.
    """
    low_s, high_s = _stretches(strikes.neighbours)
    middle_s = (low_s + high_s) / 2
    company = np.array([[around.within(one_s) for around in strikes.neighbours] for one_s in middle_s])
    left_s = (strikes.late_s - effect_s * company) / strikes.relative_pace
    weight = strikes.relative_pace**2 / strikes.variance
    place_s = left_s @ weight / weight.sum()
    se_s = weight.sum() ** -0.5
    # Student's t for how well a place fits, though the place is a mean.
    z2 = (left_s - place_s[:, None]) ** 2 * weight
    misfit = ((SCATTER_DF + 1) * np.log1p(z2 / SCATTER_DF)).sum(axis=1)
    inside = special.ndtr((high_s - place_s) / se_s) - special.ndtr((low_s - place_s) / se_s)
    place_s = np.clip(place_s, low_s, high_s)
    share = _shares(misfit, inside, _prior(place_s, pin_sd_s))
    mean_s = float(share @ place_s)
    return PinCompany(share @ company, float(place_s[np.argmax(share)]), float(share @ (place_s - mean_s) ** 2))


def _stretches(neighbours):
    """Return begin and end of the stretches of places within reach over which the company is constant."""
    apart_s = np.concatenate([one.apart_s for one in neighbours])
    ends = np.unique(np.concatenate([apart_s + COMPANY_S, apart_s - COMPANY_S]))
    ends = np.concatenate([[-REACH_S], ends[np.abs(ends) < REACH_S], [REACH_S]])
    return ends[:-1], ends[1:]


def _prior(place_s, pin_sd_s):
    """Return the prior density of places."""
    ordinary = (1 - MISPLACED_SHARE) * np.exp(-0.5 * (place_s / pin_sd_s) ** 2) / (pin_sd_s * np.sqrt(2 * np.pi))
    return ordinary + MISPLACED_SHARE / (2 * REACH_S)


def _shares(misfit, inside, prior):
    """Return the posterior share of each stretch; the best fit alone where all shares round to 0."""
    share = np.exp(-0.5 * (misfit - misfit.min())) * inside * prior
    if not share.sum() > 0:
        share = np.isclose(np.arange(len(share)), np.argmin(misfit)).astype(float)
    return share / share.sum()
