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
TEMPER = 4.0  # divides log likelihoods: neighbouring frequencies of a short sound are not independent (tuning machines)
PRIOR_DF = 3.0  # of Student's t around the due time: pins may be far out (chosen)
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
        best = max(waiting, key=fit.place)
        fit.subtract(best)
        waiting.remove(best)
    for _ in range(ROUNDS):
        for one in range(len(strikers)):
            fit.add(one)
            fit.place(one)
            fit.subtract(one)
    return [fit.strike(one) for one in range(len(strikers))]


class _Fit:
    """The strikes of one window. `rest` is the whitened spectrum of what those that are subtracted leave of it."""

    def __init__(self, window, strikers, due, scale, noise, shape):
        self.shape, self.strikers = shape, strikers
        self.omega = 2 * np.pi * np.arange(len(noise)) / shape.size  # radians a sample
        power = noise + sum(np.exp(2 * one.log_gain) * one.mismatch for one in strikers)
        weight = 1 / np.sqrt(power + 1e-30)
        self.rest = fft.rfft(window, shape.size) * np.exp(1j * self.omega * shape.at) * weight
        self.white = [one.spectra * weight for one in strikers]
        self.energy = [np.square(np.abs(one)).sum(axis=1) for one in self.white]
        self.lags = np.arange(-shape.reach, shape.reach + 1)
        away = (self.lags - np.asarray(due)[:, None]) / np.asarray(scale)[:, None]
        log_prior = -(PRIOR_DF + 1) / 2 * np.log1p(np.square(away) / PRIOR_DF)
        self.log_prior = log_prior - np.log(np.exp(log_prior).sum(axis=1, keepdims=True))
        self.placed: dict[int, tuple[float, int, float]] = {}  # lag, template, gain

    def place(self, one: int) -> float:
        """Place a strike where it is likeliest; return its log posterior there."""
        log_posterior, gain, height = self._posterior(one)
        template, lag = np.unravel_index(log_posterior.argmax(), log_posterior.shape)
        fine = self.lags[lag] + vertex(height[template : template + 1], np.array([lag]))[0]
        both = self.rest * np.conj(self.white[one][template])
        for _ in range(NEWTON_STEPS):
            turned = both * np.exp(1j * self.omega * fine)
            slope, bend = -(turned.imag @ self.omega), -(turned.real @ self.omega**2)
            fine += np.clip(-slope / bend, -0.5, 0.5) if bend < 0 else 0.0
        self.placed[one] = (float(fine), int(template), float(gain[template, lag]))
        return float(log_posterior.max())

    def subtract(self, one: int) -> None:
        """Take a placed strike out of the rest."""
        self.rest = self.rest - self._spectrum(one)

    def add(self, one: int) -> None:
        """Put it back."""
        self.rest = self.rest + self._spectrum(one)

    def strike(self, one: int) -> Strike:
        """Return what the sound says of a strike, the others held."""
        self.add(one)
        log_posterior, _, _ = self._posterior(one)
        log_unseen = self._log_unseen(one)
        self.subtract(one)
        lag, template, gain = self.placed[one]
        top, unseen = log_posterior.max(), self.strikers[one].unseen
        weight = np.exp(log_posterior - top).sum(axis=0)
        log_known = float(top + np.log(weight.sum()) + np.log(1 - unseen))
        log_unseen = float(log_unseen + np.log(unseen))
        weight /= weight.sum()
        near = np.abs(self.lags - lag) <= NEAR_S * self.shape.rate_hz
        told = float(weight[near].sum())
        slope = 2 * gain**2 * np.square(np.abs(self.white[one][template]) * self.omega).sum() / TEMPER
        wide = (weight * near * np.square(self.lags - lag)).sum() / max(told, 1e-12)
        # Weights a sample apart cannot be narrower than a sample; the slope gives what lies below.
        error = np.sqrt(1 / max(slope, 1e-12) + (wide if wide > 0.5 else 0.0))
        log_odds = float(np.logaddexp(log_known, log_unseen))
        return Strike(lag, float(error), template, gain, told, log_odds, log_known, log_unseen)

    def _posterior(self, one: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return log posterior (0: no strike), gain and correlation, each (n_templates, n_lags)."""
        reach, size, striker = self.shape.reach, self.shape.size, self.strikers[one]
        every = fft.irfft(self.rest * np.conj(self.white[one]), size) * size / 2
        height = np.concatenate([every[:, -reach:], every[:, : reach + 1]], axis=1)
        energy = self.energy[one][:, None]
        low, high = (np.exp(striker.log_gain + side * LEVEL_REACH * striker.log_gain_sd) for side in (-1, 1))
        gain = np.clip(height / energy, low, high)
        apart = (np.log(gain) - striker.log_gain) / striker.log_gain_sd
        # Each frequency is a complex normal of variance 1: |rest|² less |rest - gain white|².
        gained = 2 * gain * height - gain**2 * energy
        return gained / TEMPER - 0.5 * np.square(apart) + self.log_prior[one], gain, height

    def _log_unseen(self, one: int) -> float:
        """Return how much likelier the rest is with a random sound of the striker's spectrum in it."""
        striker, power = self.strikers[one], np.square(np.abs(self.rest))
        usual = np.exp(2 * striker.log_gain) * np.square(np.abs(self.white[one])).mean(axis=0)
        louder = [usual * 10 ** (-below / 10) for below in SOFTER_DB]
        gained = np.array([(power * each / (1 + each) - np.log1p(each)).sum() for each in louder])
        away = np.array(SOFTER_DB) * np.log(10) / 20 / striker.log_gain_sd
        return float(np.logaddexp.reduce(gained / TEMPER - 0.5 * np.square(away)))

    def _spectrum(self, one: int) -> np.ndarray:
        lag, template, gain = self.placed[one]
        return gain * self.white[one][template] * np.exp(-1j * self.omega * lag)
