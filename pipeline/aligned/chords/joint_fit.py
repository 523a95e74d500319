"""Explain the sound of a chord: when each of its strikers struck and how hard, all at once.

The samples are the sum of one template a striker, each with a lag and a gain, and of noise that is the microphone's and
what strikes differ from their templates by; the templates and the samples are whitened by the power of both (least
squares weighted by frequency). Greedy start, the strike that explains most first (matching pursuit, Mallat & Zhang
1993), then one lag at a time while the others are held, some rounds. What a lag leaves open shows in its posterior.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft

from pipeline.aligned.chords.templates import Shape, Striker, vertex

ROUNDS = 3  # of one lag at a time
NEWTON_STEPS = 2  # between two samples a parabola is off by some hundredths of a sample
TEMPER = 4.0
PRIOR_DF = 3.0  # of Student's t around the due time
LEVEL_REACH = 3.0  # standard deviations of the logarithm of a gain
SOFTER_DB = (0.0, 3.0, 6.0, 9.0)  # by which an unknown sound of a striker is softer than its usual strike
NEAR_S = 0.001  # around the best lag: what lies farther is another lag


@dataclass(frozen=True)
class Strike:
    """One striker's strike as the sound tells it.

    Attributes
    ----------
    lag, lag_se : float
        Samples after the window's middle.
    template : int
    gain : float
    told : float
        Probability that it struck within `NEAR_S` of the lag, if it struck.
    log_known, log_unseen : float
        Logarithms of how much likelier the sound is with this strike than without it: if it sounds like a template,
        and if it sounds like none (a random sound of its usual spectrum).
    log_odds : float
        Of both together.
    """

    lag: float
    lag_se: float
    template: int
    gain: float
    told: float
    log_odds: float
    log_known: float
    log_unseen: float


def explain(window: np.ndarray, strikers: list[Striker], due, scale, noise, shape: Shape) -> list[Strike]:
    """Return the strike of each striker.

    Parameters
    ----------
    window : (shape.n,) array
    strikers : list of Striker
    due, scale : (n_strikers,) arrays
        When each is expected, samples after the window's middle, and the scale of that.
    noise : (shape.size // 2 + 1,) array
        Power spectrum of a window without a strike.
    """
    fit = _Fit(window, strikers, due, scale, noise, shape)
    waiting = list(range(len(strikers)))
    while waiting:
        best = max(waiting, key=lambda one: fit.place(one))
        fit.place(best)
        waiting.remove(best)
        fit.keep(best, [one for one in waiting])
    for _ in range(ROUNDS):
        for one in range(len(strikers)):
            fit.lift(one)
            fit.place(one)
            fit.keep(one)
    return [fit.told(one) for one in range(len(strikers))]


class _Fit:
    """The strikes of one window, placed one by one."""

    def __init__(self, window, strikers, due, scale, noise, shape):
        self.shape, self.strikers = shape, strikers
        bins = np.arange(len(noise))
        power = noise + sum(np.exp(2 * one.log_gain) * one.mismatch for one in strikers)
        self.weight = 1 / np.sqrt(power + 1e-30)
        self.rest = fft.rfft(window, shape.size) * np.exp(2j * np.pi * bins * shape.at / shape.size) * self.weight
        self.white = [one.spectra * self.weight for one in strikers]
        self.energy = [np.square(np.abs(one)).sum(axis=1) for one in self.white]
        self.omega = 2 * np.pi * bins / shape.size  # radians a sample
        lags = np.arange(-shape.reach, shape.reach + 1)
        away = (lags[None, :] - np.asarray(due)[:, None]) / np.asarray(scale)[:, None]
        log_prior = -(PRIOR_DF + 1) / 2 * np.log1p(np.square(away) / PRIOR_DF)
        self.log_prior = log_prior - np.log(np.exp(log_prior).sum(axis=1, keepdims=True))
        self.lags = lags
        self.placed = [None] * len(strikers)

    def score(self, one):
        """Return the log likelihood gained (tempered) of each template and lag, and the gain there."""
        reach, size = self.shape.reach, self.shape.size
        every = fft.irfft(self.rest * np.conj(self.white[one]), size) * size / 2
        near = np.concatenate([every[:, -reach:], every[:, : reach + 1]], axis=1)
        striker, energy = self.strikers[one], self.energy[one][:, None]
        low, high = (np.exp(striker.log_gain + side * LEVEL_REACH * striker.log_gain_sd) for side in (-1, 1))
        gain = np.clip(near / energy, low, high)
        apart = (np.log(gain) - striker.log_gain) / striker.log_gain_sd
        # |rest - g white|² counts each positive frequency once: that is the log likelihood of a complex normal.
        value = 2 * gain * near - gain**2 * energy
        return value / TEMPER - 0.5 * np.square(apart), gain, near

    def place(self, one):
        value, gain, near = self.score(one)
        whole = value + self.log_prior[one]
        template, lag = np.unravel_index(whole.argmax(), whole.shape)
        fine = self.lags[lag] + vertex(near[template : template + 1], np.array([lag]))[0]
        both = self.rest * np.conj(self.white[one][template])
        for _ in range(NEWTON_STEPS):
            turned = both * np.exp(1j * self.omega * fine)
            slope, bend = -(turned.imag @ self.omega), -(turned.real @ self.omega**2)
            fine += np.clip(-slope / bend, -0.5, 0.5) if bend < 0 else 0.0
        self.placed[one] = (float(fine), int(template), float(gain[template, lag]))
        return float(whole.max())

    def keep(self, one, but=()):
        self.rest = self.rest - self._sound(one)
        for other in but:
            self.placed[other] = None

    def lift(self, one):
        self.rest = self.rest + self._sound(one)

    def _sound(self, one):
        lag, template, gain = self.placed[one]
        return gain * self.white[one][template] * np.exp(-1j * self.omega * lag)

    def told(self, one):
        self.lift(one)
        value, _, _ = self.score(one)
        whole = value + self.log_prior[one]
        top = whole.max()
        weight = np.exp(whole - top).sum(axis=0)
        log_odds = float(top + np.log(weight.sum()))
        weight /= weight.sum()
        lag, template, gain = self.placed[one]
        near = np.abs(self.lags - lag) <= NEAR_S * self.shape.rate_hz
        slope = 2 * gain**2 * np.square(np.abs(self.white[one][template]) * self.omega).sum() / TEMPER
        wide = (weight * near * np.square(self.lags - lag)).sum() / max(weight[near].sum(), 1e-12)
        error = np.sqrt(1 / max(slope, 1e-12) + (wide if wide > 0.5 else 0.0))
        striker = self.strikers[one]
        loud = np.exp(2 * striker.log_gain) * np.square(np.abs(self.white[one])).mean(axis=0)
        power = np.square(np.abs(self.rest))
        softer = [loud * 10 ** (-below / 10) for below in SOFTER_DB]
        softer = [(power * one / (1 + one) - np.log1p(one)).sum() / TEMPER for one in softer]
        away = np.array(SOFTER_DB) * np.log(10) / 20 / striker.log_gain_sd
        log_unseen = np.logaddexp.reduce(np.array(softer) - 0.5 * away**2)
        log_known, log_unseen = log_odds + np.log(1 - striker.unseen), log_unseen + np.log(striker.unseen)
        log_odds = float(np.logaddexp(log_known, log_unseen))
        self.rest = self.rest - self._sound(one)
        told = float(weight[near].sum())
        return Strike(lag, float(error), template, gain, told, log_odds, float(log_known), float(log_unseen))
