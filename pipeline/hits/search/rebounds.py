"""Find rebounds in the tails of strikes, and label hits that are rebounds.

In: the hits and the stored tails of strikes. Out: the hits with the rebounds that were found. A rebound is weaker and
comes a few hundredths of a second after the strike of the same body; in the ring of its strike it raises the flux
little. But a striker makes nearly the same waveform every time: the mean tail of its strikes is subtracted from each
tail, and the residual is searched for a weaker copy of the attack (matched filter; van Trees 1968, ch. 4). How much the
residuals of all strikes scatter at that lag decides what is no chance. What every strike has at the same lag is part of
its sound and is not found.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from pipeline.hits.candidates import Hits, has_near
from pipeline.hits.search import template_onset
from pipeline.hits.signal import template
from pipeline.hits.signal.spool import Waveforms

SURE_PROBABILITY = 0.5  # of a strike whose tail is searched
SOONEST_S, LATEST_S = 0.006, 0.085  # after its strike
WEAKER_DB = 6.0  # a roll is played evenly; what bounces has lost most of its energy
SEARCHED_S = (0.012, 0.085)  # after a strike; sooner the sound itself still differs
BEFORE_S, AFTER_S = 0.010, 0.096  # of a stored tail around the first placing of its strike
ATTACK_S = (0.001, 0.010)  # of the sound that is searched for
LEAST_CLEAN, POOL = 6, 64  # strikes without another in their tail, at least and at most, that make the mean tail
ROUNDS = 3  # what was found is taken out of the tails that make the mean
MOST_REBOUNDS = 2  # of a strike
SMOOTH_S = 0.002  # over which the scatter of the residuals is smoothed
# Of a copy: height over the scatter of the residuals, correlation with the attack, height over the strike's.
LEAST_Z, LEAST_CORRELATION, LEAST_SHARE = 2.5, 0.5, 0.04
RISE_S = 0.006  # before and after: what rises is no rest of the strike
LEAST_RISE = 0.7  # logarithm of the power: less may be the tail of the strike before
# Logistic regression: offset, logarithm of z, correlation, logarithm of the rise in power. Fitted to real sounds half
# of whose strikes bounced (tests/benchmarks/hits_scenes.py); the offset is lower by 1.4, as most strikers bounce less.
LOGISTIC = np.array((-5.6, 0.50, 3.54, 2.40))
_AT_ONCE = 64


@dataclass(frozen=True)
class Mean:
    """The mean tail of one channel's strikes.

    `taps` whiten the noise; `tail` is over the strike's height, (columns.n,); `attack` is the conjugate spectrum of its
    attack, of `energy`; `spread`, (n_lags,), is the scatter of the heights of copies of the attack in the residuals.
    """

    taps: np.ndarray
    tail: np.ndarray
    attack: np.ndarray
    energy: float
    spread: np.ndarray


@dataclass(frozen=True)
class Residuals:
    """Tails without their mean, one a row.

    `height` of their strikes, (n,); what is `left`, (n, columns.n); at each lag the height of a copy of the attack in
    it over the strike's (`share`) and its `correlation` with the attack, (n, n_lags).
    """

    height: np.ndarray
    left: np.ndarray
    share: np.ndarray
    correlation: np.ndarray


def shape(rate_hz: int) -> template.Shape:
    """Return the columns of a stored tail."""
    before, n = round(BEFORE_S * rate_hz), round((BEFORE_S + AFTER_S) * rate_hz)
    return template.Shape(n, before, fft.next_fast_len(n + before, real=True), rate_hz)


def added(hits: Hits, tails: Waveforms, least: float, rate_hz: int) -> Hits:
    """Return the hits with the rebounds of the channels that hear one striker.

    Parameters
    ----------
    hits : Hits
    tails : Waveforms
    least : float
        Probability from which a rebound is added.
    rate_hz : int

    Returns
    -------
    Hits
        The rebounds come last, with the bands, the noise and the spread of their strikes.
    """
    found, probability = [hits.rows[:0]], [np.zeros(0)]
    sure = hits.probability > SURE_PROBABILITY
    for number in np.unique(hits.rows["channel"][hits.tail >= 0]):
        mine = sure & (hits.rows["channel"] == number)
        rows, its = _of_channel(hits, np.flatnonzero(mine), tails, rate_hz)
        # What strikes elsewhere at that moment may be heard here.
        others = hits.rows["at"][sure & (hits.rows["channel"] != number)]
        alone = ~has_near(rows["at"], others, template_onset.LEAK_S * rate_hz)
        found.append(rows[alone])
        probability.append(its[alone])
    rows, probability = np.concatenate(found), np.concatenate(probability)
    likely = probability >= least
    n = likely.sum()
    return Hits(
        np.concatenate([hits.rows, rows[likely]]),
        np.append(hits.se, np.hypot(rows["spread"], template_onset.LEAST_SE_S * rate_hz)[likely]),
        np.append(hits.probability, probability[likely]),
        np.append(hits.tail, np.full(n, -1)),
        np.append(hits.tail_at, rows["at"][likely]),
    )


def _of_channel(hits: Hits, mine: np.ndarray, tails: Waveforms, rate_hz: int) -> tuple[np.ndarray, np.ndarray]:
    """Return rows and probability of what bounced after the hits `mine` of one channel."""
    at = hits.rows["at"]
    mine = mine[np.argsort(at[mine], kind="stable")]
    until = np.diff(at[mine], append=np.inf)
    mine, until = mine[hits.tail[mine] >= 0], until[hits.tail[mine] >= 0]
    number = hits.tail[mine]
    strike, lag, height, probability = search(
        at[mine], hits.tail_at[mine], until, lambda rows: tails.read(number[rows]), rate_hz
    )
    rows = hits.rows[mine[strike]]
    rows["at"] += lag
    rows["peak"] *= height
    rows["bands"] *= np.square(height)[:, None]
    return rows, probability


def search(
    at: np.ndarray, tail_at: np.ndarray, until: np.ndarray, stored: Callable[[np.ndarray], np.ndarray], rate_hz: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Search the tails of one channel's strikes for rebounds.

    Parameters
    ----------
    at, tail_at : (n,) arrays
        Sample of each strike, and that around which its tail was stored.
    until : (n,) array
        Samples from each strike to the next hit of the channel.
    stored : callable
        Gives the tails of the strikes of these numbers.
    rate_hz : int

    Returns
    -------
    strike : (n_found,) int array
        Of which strike it is.
    lag : (n_found,) array
        Samples after it.
    height : (n_found,) array
        Over the strike's.
    probability : (n_found,) array
    """
    columns = shape(rate_hz)
    clean = np.flatnonzero(until >= round(SEARCHED_S[1] * rate_hz))[:POOL]
    nothing = np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0)
    if len(clean) < LEAST_CLEAN:
        return nothing
    moved = at - np.round(tail_at)
    mean = _mean(stored(clean), moved[clean], columns)
    found = [nothing]
    for begin in range(0, len(at), _AT_ONCE):
        rows = np.arange(begin, min(begin + _AT_ONCE, len(at)))
        tails = _white(stored(rows), moved[rows], mean.taps, columns)
        strike, lag, height, features, _ = _copies(_residuals(tails, mean, columns), until[rows], mean, columns)
        likely = features[:, 2] >= LEAST_RISE
        found.append((rows[strike], lag, height, likely / (1 + np.exp(-LOGISTIC[0] - features @ LOGISTIC[1:]))))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))


def are_rebounds(hit_s: np.ndarray, level_db: np.ndarray) -> np.ndarray:
    """Return which hits of one striker's channel are rebounds.

    Parameters
    ----------
    hit_s, level_db : (n_hits,) arrays
        In the order of time. A chain of rebounds is compared with the strike that began it.

    Returns
    -------
    are_rebounds : (n_hits,) bool array
    """
    found = np.zeros(len(hit_s), bool)
    strike = -1
    for hit in range(len(hit_s)):
        if strike >= 0:
            after_s = hit_s[hit] - hit_s[strike]
            found[hit] = SOONEST_S <= after_s <= LATEST_S and level_db[hit] < level_db[strike] - WEAKER_DB
        if not found[hit]:
            strike = hit
    return found


def _white(tails: np.ndarray, lag: np.ndarray, taps: np.ndarray, columns: template.Shape) -> np.ndarray:
    """Return the tails, each with its strike moved to the column of the placing, whitened."""
    spectra = fft.rfft(tails.astype(np.float32), columns.size)
    spectra *= template.turns(lag, columns.size)
    spectra *= fft.rfft(taps.astype(np.float32), columns.size)
    white = fft.irfft(spectra, columns.size)[:, : columns.n]
    white[:, : len(taps)] = 0.0
    return white


def _mean(tails: np.ndarray, lag: np.ndarray, columns: template.Shape) -> Mean:
    taps = template.noise_taps(tails, columns)
    white = _white(tails, lag, taps, columns)
    mean, residuals = _mean_of(white, white, taps, columns)
    for _ in range(ROUNDS - 1):
        *_, taken = _copies(residuals, np.full(len(white), columns.n), mean, columns)
        mean, residuals = _mean_of(white - taken, white, taps, columns)
    return mean


def _mean_of(free: np.ndarray, white: np.ndarray, taps: np.ndarray, columns: template.Shape) -> tuple[Mean, Residuals]:
    """Return the mean of the tails `free` of what was found, and the residuals of the tails `white`."""
    low, high = _attack(columns)
    tail = _middle(free / _height(white, columns)[:, None])
    attack = tail[low:high]
    mean = Mean(taps, tail, np.conj(fft.rfft(attack, columns.size)), float(np.square(attack).sum()), np.ones(1))
    residuals = _residuals(white, mean, columns)
    return replace(mean, spread=_smooth(_middle(np.abs(residuals.share)) / 0.6745, columns)), residuals


def _middle(rows: np.ndarray) -> np.ndarray:
    """Return the median of each column; to sort short columns is far quicker than to look for their middle."""
    rows = np.sort(rows, axis=0)
    return (rows[(len(rows) - 1) // 2] + rows[len(rows) // 2]) / 2


def _smooth(spread: np.ndarray, columns: template.Shape) -> np.ndarray:
    wide = round(SMOOTH_S * columns.rate_hz)
    total = np.cumsum(np.pad(np.square(spread), (wide + 1, wide), mode="edge"), dtype=np.float64)
    return (np.sqrt((total[2 * wide + 1 :] - total[: -2 * wide - 1]) / (2 * wide + 1)) + 1e-12).astype(np.float32)


def _attack(columns: template.Shape) -> tuple[int, int]:
    return columns.at - round(ATTACK_S[0] * columns.rate_hz), columns.at + round(ATTACK_S[1] * columns.rate_hz)


def _height(white: np.ndarray, columns: template.Shape) -> np.ndarray:
    low, high = _attack(columns)
    return np.sqrt(np.square(white[:, low:high]).sum(axis=1)) + 1e-12


def _residuals(white: np.ndarray, mean: Mean, columns: template.Shape) -> Residuals:
    """Subtract the mean from each tail: a combination of it at three neighbouring lags, as strikes differ in colour."""
    low, high = _attack(columns)
    shifted = np.stack([np.roll(mean.tail, step) for step in (-1, 0, 1)])
    left = white - white[:, low:high] @ np.linalg.pinv(shifted[:, low:high], rcond=1e-3) @ shifted
    height = _height(white, columns)
    return Residuals(height, left, *_matched_to_attack(left, height[:, None], mean, columns))


def _matched_to_attack(
    left: np.ndarray, height: np.ndarray, mean: Mean, columns: template.Shape
) -> tuple[np.ndarray, np.ndarray]:
    """Return height (over the strike's) and correlation of a copy of the attack at each lag, in what is left."""
    low, high = _attack(columns)
    n = round(SEARCHED_S[1] * columns.rate_hz)
    copies = fft.irfft(fft.rfft(left, columns.size) * mean.attack, columns.size)[:, low : low + n]
    total = np.zeros((len(left), high - low + n + 1))
    np.cumsum(np.square(left[:, low : high + n]), axis=1, out=total[:, 1:])
    power = (total[:, high - low : high - low + n] - total[:, :n]).astype(np.float32)
    correlation = copies / np.sqrt(mean.energy * power + 1e-20)
    copies /= mean.energy * height
    return copies, correlation


def _copies(residuals: Residuals, until: np.ndarray, mean: Mean, columns: template.Shape):
    """Return strike, lag, height and features of each copy of the attack, and what all copies add to the tails, as the
    mean tail has it."""
    soonest, n = (round(seconds * columns.rate_hz) for seconds in SEARCHED_S)
    lags, taken, found = np.arange(n), np.zeros_like(residuals.left), []
    closed = (lags < soonest) | (lags >= (until - soonest)[:, None])
    rows, now, share, correlation = np.arange(len(taken)), residuals.left, residuals.share, residuals.correlation
    for number in range(MOST_REBOUNDS):
        if number:
            now = residuals.left[rows] - taken[rows]
            share, correlation = _matched_to_attack(now, residuals.height[rows, None], mean, columns)
        z = share / mean.spread
        z[closed[rows] | (correlation < LEAST_CORRELATION) | (share < LEAST_SHARE)] = 0.0
        lag = z.argmax(axis=1)
        which = np.flatnonzero(z[np.arange(len(rows)), lag] > LEAST_Z)
        rows, lag, pick = rows[which], lag[which], (which, lag[which])
        features = np.column_stack([np.log(z[pick]), correlation[pick], _risen(now[which], lag, columns)])
        found.append((rows, lag.astype(float), share[pick], features))
        for row, at, tall in zip(rows, lag, share[pick] * residuals.height[rows], strict=True):
            taken[row, at:] += tall * mean.tail[: columns.n - at]
            closed[row] |= np.abs(lags - at) < soonest
    return *(np.concatenate(column) for column in zip(*found, strict=True)), taken


def _risen(left: np.ndarray, lag: np.ndarray, columns: template.Shape) -> np.ndarray:
    """Return the logarithm of the power after over that before, within `RISE_S` of each lag."""
    n = round(RISE_S * columns.rate_hz)
    low, _ = _attack(columns)
    rows = np.arange(len(left))[:, None]
    before = np.square(left[rows, low + lag[:, None] + np.arange(-n, 0)]).mean(axis=1)
    after = np.square(left[rows, columns.at + lag[:, None] + np.arange(n)]).mean(axis=1)
    return np.log((after + 1e-20) / (before + 0.1 * template.noise_power(left, columns) + 1e-20))
