"""Hold strikes against an even grid: how far each lies from its place, and what that says of a take.

The places follow the click, or the tempo that was asked for. A loop of second order (phase and rate) tells which place
a strike belongs to, so that a machine may drift by more than half a step in the course of a take.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.errors import InputError

# The step between two places, in beats; a bar is as long as one says. Of --every the first word is enough.
STEPS = {"bar": None, "beat": 1.0, "half beat": 1 / 2, "third of a beat": 1 / 3, "quarter beat": 1 / 4}
LEAST_STRIKES = 8  # chosen: fewer tell nothing of a take
LEAST_CLICKS = 8  # chosen
ON_PLACE = 0.78  # chosen: share of the strikes that must belong to a place for its grid to be the one that is played
# The same of steps of less than half a beat: a loop that has lost its place for a while still holds most strikes.
# Measured on simulated songs: of takes with fewer, most were given a wrong tempo or spread.
ON_FINE_PLACE = 0.955
NEARLY_ON_PLACE = 0.72  # of half beats or more, where no finer grid holds: measured there, fewer go astray
STEPS_OFF = 0.25  # of a step: a strike farther from where the loop expects it belongs to no place
PHASE_GAIN, RATE_GAIN = 0.3, 0.03  # chosen: the loop forgets within some three strikes, its rate within thirty
RATE_MOST = 0.06  # chosen: a machine slows and hurries by less for long
MOST_OFF_TEMPO = 0.04  # chosen: of the first strikes; a machine farther from --bpm plays another tempo
OPENING = 24  # strikes by which the loop finds its first phase and rate; chosen
CLICK_RATIOS = (1 / 4, 1 / 2, 1, 2, 3, 4)  # clicks to a beat
CLICK_TEMPO = 0.02  # chosen: a click farther from --bpm has another tempo
WANDER_BARS = 4  # over which the distance is taken together to show slow changes


@dataclass(frozen=True)
class Even:
    """A take on its grid.

    Attributes
    ----------
    every : str
        One of `STEPS`.
    bars_a_place : float
        The same in bars.
    place : (n,) array of int
        Place of each strike that belongs to one, counted from the first.
    strike_s, late_s : (n,) arrays
        When it came, and how late it is, the steady offset and, without a click, a steady error of tempo taken out.
    offset_s : float
        Steady offset from the click; NaN without one.
    tempo_bpm : float
        Of the strikes, in beats a minute; that of the click is the one asked for.
    n_off : int
        Strikes that belong to no place.
    bar, bar_at_s, bar_late_s : arrays
        Bars that hold a strike, from 1: when their first strike came, and how late they are on average.
    bar_s : float
    is_said : bool
        Whether the user has named the step: then a place without a strike is missed.
    """

    every: str
    bars_a_place: float
    place: np.ndarray
    strike_s: np.ndarray
    late_s: np.ndarray
    offset_s: float
    tempo_bpm: float
    n_off: int
    bar: np.ndarray
    bar_at_s: np.ndarray
    bar_late_s: np.ndarray
    bar_s: float
    is_said: bool

    @property
    def spread_s(self) -> float:
        """Standard deviation of the strikes' distance."""
        return float(np.std(self.late_s, ddof=1))

    @property
    def worst_bar(self) -> int:
        """Index of the bar that lies farthest from the rest."""
        return int(np.argmax(np.abs(self.bar_late_s)))

    @property
    def wander_s(self) -> tuple[float, float]:
        """Earliest and latest distance over `WANDER_BARS` bars; NaN in a take that is shorter than two such spans."""
        late = self._by_bar()
        n = len(late) - WANDER_BARS + 1
        if n <= WANDER_BARS:
            return np.nan, np.nan
        spans = [late[first : first + WANDER_BARS] for first in range(n)]
        means = [np.nanmean(span) for span in spans if np.isfinite(span).any()]
        return float(min(means)), float(max(means))

    @property
    def bar_to_bar(self) -> float:
        """Allan deviation of the tempo over one bar, as a ratio; NaN without three bars in a row."""
        twice = np.diff(self._by_bar(), n=2)
        twice = twice[np.isfinite(twice)]
        return float(np.sqrt(np.mean(twice**2) / 2) / self.bar_s) if len(twice) else np.nan

    @property
    def empty(self) -> np.ndarray:
        """Places between the first and the last strike at which none came: missed, or rests unless the step is said."""
        return np.setdiff1d(np.arange(self.place[0], self.place[-1] + 1), self.place)

    @property
    def n_places(self) -> int:
        """Count the places from the first strike to the last."""
        return int(self.place[-1] - self.place[0] + 1)

    def at_s(self, place: int) -> float:
        """Return when a place came, between its neighbours."""
        return float(np.interp(place, self.place, self.strike_s))

    def bar_of(self, place: int) -> int:
        """Return the bar of a place, from 1."""
        return int(place * self.bars_a_place + 1e-9) + 1

    def _by_bar(self) -> np.ndarray:
        late = np.full(self.bar[-1], np.nan)
        late[self.bar - 1] = self.bar_late_s
        return late


def on_grid(name: str, strike_s, click_s, bpm: float, beats_per_bar: int, every: str | None = None) -> Even:
    """Return a take on its grid.

    Parameters
    ----------
    name : str
        Of the take, for what is refused.
    strike_s, click_s : arrays
        `click_s` may be empty.
    bpm : float
    beats_per_bar : int
    every : str or None
        One of `STEPS`; None: the widest of them to which nearly all strikes belong.

    Raises
    ------
    InputError
        Too few strikes, a click of another tempo, or strikes that keep to no even grid.
    """
    if len(strike_s) < LEAST_STRIKES:
        raise InputError(f"{name}: expected {LEAST_STRIKES} strikes or more; found {len(strike_s)}; record it louder")
    has_click = len(click_s) > 0
    beat = beats_of(name, np.asarray(click_s), bpm)(np.asarray(strike_s, float))
    tried = {}
    for one in [every] if every else STEPS:
        tried[one] = _followed(beat / _step(one, beats_per_bar))
        if np.mean(tried[one][1]) >= _least_on(one):
            break
    else:
        one = _nearly(name, tried, bpm, is_said=bool(every))
    place, held = tried[one]
    if (n_places := len(np.unique(place[held]))) < LEAST_STRIKES:
        raise InputError(
            f"{name}: expected strikes at {LEAST_STRIKES} places of the grid or more; found them at {n_places}; "
            "record more bars, or name a smaller step (--every)"
        )
    kept = place[held], np.asarray(strike_s)[held], beat[held]
    return _even(one, *kept, has_click, bpm, beats_per_bar, n_off=int((~held).sum()), is_said=bool(every))


def beats_of(name: str, click_s: np.ndarray, bpm: float):
    """Return a function from time to beats: those of the click, or of the tempo where there is none."""
    if not len(click_s):
        return lambda at_s: at_s * bpm / 60
    if len(click_s) < LEAST_CLICKS:
        raise InputError(f"{name}: expected {LEAST_CLICKS} clicks or more; found {len(click_s)}; check --click")
    gap_s = float(np.median(np.diff(click_s)))
    ratio = min(CLICK_RATIOS, key=lambda ratio: abs(np.log(gap_s * ratio * bpm / 60)))
    if abs(gap_s * ratio * bpm / 60 - 1) > CLICK_TEMPO:
        raise InputError(
            f"{name}: expected a click of {bpm:g} a minute; found one of {60 / gap_s:.1f}; correct --bpm or --click"
        )
    beat = np.concatenate([[0.0], np.cumsum(np.round(np.diff(click_s) / gap_s))]) / ratio

    def beats(at_s):
        inside = np.interp(at_s, click_s, beat)
        before, after = np.minimum(at_s - click_s[0], 0.0), np.maximum(at_s - click_s[-1], 0.0)
        return inside + (before + after) / (gap_s * ratio)

    return beats


def _step(every: str, beats_per_bar: float) -> float:
    return STEPS[every] or beats_per_bar


def _is_fine(every: str) -> bool:
    return STEPS[every] is not None and STEPS[every] < 1 / 2


def _least_on(every: str) -> float:
    """Return the share of the strikes that must belong to a place."""
    return ON_FINE_PLACE if _is_fine(every) else ON_PLACE


def _nearly(name: str, tried: dict, bpm: float, is_said: bool) -> str:
    """Return the step to which most strikes belong where no grid holds nearly all; one that was said holds anyway."""
    share = {one: float(np.mean(held)) for one, (_, held) in tried.items()}
    coarse = [one for one in share if is_said or not _is_fine(one)]
    best = max(coarse, key=share.get)
    if is_said or share[best] >= NEARLY_ON_PLACE:
        return best
    raise InputError(
        f"{name}: expected strikes on the beats of {bpm:g} a minute, or on halves, thirds or quarters of them; "
        f"found {max(share.values()):.0%} of them there, too few to follow how the tempo moves; correct --bpm, loop a "
        "click back (--click), or name the step (--every)"
    )


def _followed(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the place of each strike, whose time is given in steps of the grid, and whether it belongs to it."""
    phase, rate = _opening(at[:OPENING])
    place, held = np.zeros(len(at), np.int64), np.zeros(len(at), bool)
    before = at[0]
    for number, now in enumerate(at):
        expected = phase + rate * (now - before)
        place[number] = round(now - expected)
        off = now - place[number] - expected
        held[number] = abs(off) < STEPS_OFF
        if held[number]:
            gap = now - before
            rate = float(np.clip(rate + RATE_GAIN * off * min(gap, 1 / gap) if gap else rate, -RATE_MOST, RATE_MOST))
            phase, before = expected + PHASE_GAIN * off * min(gap, 1.0), now
    return place, held


def _opening(at: np.ndarray) -> tuple[float, float]:
    """Return the first strike's phase (steps after its place) and the rate at which phases grow, by a periodogram."""
    span = max(at[-1] - at[0], 1.0)
    rates = np.linspace(-MOST_OFF_TEMPO, MOST_OFF_TEMPO, 2 * int(np.ceil(4 * span * MOST_OFF_TEMPO)) + 1)
    turned = np.exp(2j * np.pi * (at - np.outer(rates, at - at[0]))).sum(axis=1)
    best = int(np.argmax(np.abs(turned)))
    return float(np.angle(turned[best]) / (2 * np.pi)), float(rates[best])


def _even(every, place, strike_s, beat, has_click, bpm, beats_per_bar, n_off, is_said) -> Even:
    step = _step(every, beats_per_bar)
    place = place - place[0]
    late_s = (beat - place * step) * 60 / bpm
    offset_s, slope = float(np.median(late_s)), 0.0
    if has_click:
        # Whole steps or beats between click and machine are no offset: the nearest is meant.
        step_s = min(step, 1.0) * 60 / bpm
        late_s = late_s - offset_s
        offset_s = (offset_s + step_s / 2) % step_s - step_s / 2
    else:
        slope, level = np.polyfit(place * step, late_s, 1)
        late_s, offset_s = late_s - slope * place * step - level, np.nan
    beat_s = 60 / bpm + slope
    bar = np.floor(place * (step / beats_per_bar) + 1e-9).astype(np.int64) + 1
    bars, first, number = np.unique(bar, return_index=True, return_inverse=True)
    return Even(
        every=every,
        bars_a_place=step / beats_per_bar,
        place=place,
        strike_s=strike_s,
        late_s=late_s,
        offset_s=offset_s,
        tempo_bpm=60 / beat_s,
        n_off=n_off,
        bar=bars,
        bar_at_s=strike_s[first],
        bar_late_s=np.bincount(number, late_s) / np.bincount(number),
        bar_s=beats_per_bar * beat_s,
        is_said=is_said,
    )
