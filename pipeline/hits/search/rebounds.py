"""Find rebounds, and tell them from strikes: weaker, a few hundredths of a second after the strike of the same body.

A rebound in the ring of its strike raises little. But a striker makes nearly the same waveform every time: each strike
is held against the mean of its fellows, and what it has besides is searched for a weaker copy of the attack (a matched
filter). How much strikes differ anyway at that moment tells what is no chance. What every strike has at the same moment
is part of its sound, and cannot be told so.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from pipeline.hits.signal import template

SOONEST_S, LATEST_S = 0.006, 0.085
WEAKER_DB = 6.0  # a roll is played evenly; what bounces has lost most of its energy
SEARCHED_S = (0.012, 0.085)  # after a strike; sooner the sound itself still differs
BEFORE_S, AFTER_S = 0.010, 0.096  # of a stored tail around the first placing of its strike
ATTACK_S = (0.001, 0.010)  # of the sound that is searched for
FEWEST, POOL = 6, 64  # strikes without another in their tail, that make the mean
ROUNDS = 3  # what was found is taken out of the tails that make the mean
MOST = 2  # rebounds of a strike
SMOOTH_S = 0.002
LEAST_Z, LEAST_ALIKE, LEAST_SHARE = 2.5, 0.5, 0.04  # over what strikes differ; correlation; of the strike's height
RISE_S = 0.006  # before and after: what rises is no rest of the strike
LEAST_RISE = 0.7  # logarithm of the power: less may be the tail of the strike before
# Offset, logarithm of z, correlation, logarithm of the rise in power: fitted to real sounds half of whose strikes
# bounced (tests/benchmarks/hits_scenes.py); the offset is lower by 1.4, as most strikers bounce less.
PROBABLE = np.array((-5.6, 0.50, 3.54, 2.40))
_AT_ONCE = 64


@dataclass(frozen=True)
class Mean:
    """The mean tail of one channel's strikes, over their height, and how much they differ from it at each lag."""

    taps: np.ndarray
    tail: np.ndarray
    attack: np.ndarray  # spectrum
    energy: float
    spread: np.ndarray


@dataclass(frozen=True)
class Beside:
    """Tails without their mean: the `height` of their strikes, what is `left`, and at each lag how high a copy of the
    attack is in it (`share` of that height) and how `alike`."""

    height: np.ndarray
    left: np.ndarray
    share: np.ndarray
    alike: np.ndarray


def shape(rate_hz: int) -> template.Shape:
    """Return the columns of a stored tail."""
    before, n = round(BEFORE_S * rate_hz), round((BEFORE_S + AFTER_S) * rate_hz)
    return template.Shape(n, before, fft.next_fast_len(n + before, real=True), rate_hz)


def search(at: np.ndarray, first: np.ndarray, until: np.ndarray, stored: Callable, rate_hz: int):
    """Search the tails of one channel's strikes for rebounds.

    Parameters
    ----------
    at, first : (n,) arrays
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
    if len(clean) < FEWEST:
        return nothing
    mean = _mean(stored(clean), (at - np.round(first))[clean], columns)
    found = [nothing]
    for begin in range(0, len(at), _AT_ONCE):
        rows = np.arange(begin, min(begin + _AT_ONCE, len(at)))
        tails = _white(stored(rows), (at - np.round(first))[rows], mean.taps, columns)
        strike, lag, height, seen, _ = _besides(_beside(tails, mean, columns), until[rows], mean, columns)
        likely = seen[:, 2] >= LEAST_RISE
        found.append((rows[strike], lag, height, likely / (1 + np.exp(-PROBABLE[0] - seen @ PROBABLE[1:]))))
    return tuple(np.concatenate(column) for column in zip(*found, strict=True))


def rebounds(hit_s: np.ndarray, level_db: np.ndarray) -> np.ndarray:
    """Return which hits of one striker's channel are rebounds.

    Parameters
    ----------
    hit_s, level_db : (n_hits,) arrays
        In the order of time. A chain of rebounds is held against the strike that began it.
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
    mean, beside = _mean_of(white, white, taps, columns)
    for _ in range(ROUNDS - 1):
        *_, taken = _besides(beside, np.full(len(white), columns.n), mean, columns)
        mean, beside = _mean_of(white - taken, white, taps, columns)
    return mean


def _mean_of(free: np.ndarray, white: np.ndarray, taps: np.ndarray, columns: template.Shape) -> tuple[Mean, Beside]:
    """Return the mean of the tails `free` of what was found, and the tails `white` beside it."""
    low, high = _attack(columns)
    tail = _middle(free / _height(white, columns)[:, None])
    attack = tail[low:high]
    mean = Mean(taps, tail, np.conj(fft.rfft(attack, columns.size)), float(np.square(attack).sum()), np.ones(1))
    beside = _beside(white, mean, columns)
    return replace(mean, spread=_smooth(_middle(np.abs(beside.share)) / 0.6745, columns)), beside


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


def _beside(white: np.ndarray, mean: Mean, columns: template.Shape) -> Beside:
    """Take the mean out of each tail: by three neighbouring samples of it, as strikes differ in colour."""
    low, high = _attack(columns)
    shifted = np.stack([np.roll(mean.tail, step) for step in (-1, 0, 1)])
    left = white - white[:, low:high] @ np.linalg.pinv(shifted[:, low:high], rcond=1e-3) @ shifted
    height = _height(white, columns)
    return Beside(height, left, *_copies(left, height[:, None], mean, columns))


def _copies(left: np.ndarray, height: np.ndarray, mean: Mean, columns: template.Shape) -> tuple[np.ndarray, np.ndarray]:
    """Return height (over the strike's) and correlation of a copy of the attack at each lag, in what is left."""
    low, high = _attack(columns)
    n = round(SEARCHED_S[1] * columns.rate_hz)
    copies = fft.irfft(fft.rfft(left, columns.size) * mean.attack, columns.size)[:, low : low + n]
    total = np.zeros((len(left), high - low + n + 1))
    np.cumsum(np.square(left[:, low : high + n]), axis=1, out=total[:, 1:])
    power = (total[:, high - low : high - low + n] - total[:, :n]).astype(np.float32)
    alike = copies / np.sqrt(mean.energy * power + 1e-20)
    copies /= mean.energy * height
    return copies, alike


def _besides(beside: Beside, until: np.ndarray, mean: Mean, columns: template.Shape):
    """Return strike, lag, height of what is found, what speaks for it, and the tails of all that was found."""
    soonest, n = (round(seconds * columns.rate_hz) for seconds in SEARCHED_S)
    lags, taken, found = np.arange(n), np.zeros_like(beside.left), []
    closed = (lags < soonest) | (lags >= (until - soonest)[:, None])
    rows, now, share, alike = np.arange(len(taken)), beside.left, beside.share, beside.alike
    for number in range(MOST):
        if number:
            now = beside.left[rows] - taken[rows]
            share, alike = _copies(now, beside.height[rows, None], mean, columns)
        z = share / mean.spread
        z[closed[rows] | (alike < LEAST_ALIKE) | (share < LEAST_SHARE)] = 0.0
        lag = z.argmax(axis=1)
        which = np.flatnonzero(z[np.arange(len(rows)), lag] > LEAST_Z)
        rows, lag, pick = rows[which], lag[which], (which, lag[which])
        seen = np.column_stack([np.log(z[pick]), alike[pick], _risen(now[which], lag, columns)])
        found.append((rows, lag.astype(float), share[pick], seen))
        for row, at, tall in zip(rows, lag, share[pick] * beside.height[rows], strict=True):
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
