"""Hold one solution of the normal equations, and give estimates and variances of what it solves for."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.timing.model import bordered_solver
from pipeline.timing.model.design import Border, Layout
from pipeline.timing.model.linear_load import LinearLoad
from pipeline.timing.model.normal_equations import Data, Scales

LEAST_EFFECT_S2 = 1e-10  # (10 µs)²: an effect below is none; keeps a prior's precision finite; free: 0
CAUCHY_STEPS = 20  # of the fixed-point iteration for its scale; free: 0


@dataclass(frozen=True, eq=False)
class Solved:
    """One solution of the normal equations, with what made them.

    Parameters
    ----------
    load : LinearLoad or None
        The load that some of the border's columns come from.
    """

    scales: Scales
    layout: Layout
    border: Border
    data: Data
    normal: bordered_solver.System
    solution: bordered_solver.Solution
    load: LinearLoad | None = None

    def fitted_s(self) -> np.ndarray:
        """Return what the model says of each hit, pins included, shape=(n_hits,)."""
        return self.solution.x[self.layout.state] + self.banded_pin_s() + self.border.matrix @ self.solution.beta

    def banded_pin_s(self) -> np.ndarray:
        """Return what the pins in the band add to each hit, shape=(n_hits,)."""
        pin = self.layout.pin
        return np.where(pin >= 0, self.solution.x[np.maximum(pin, 0)] * self.data.relative_pace, 0.0)

    def beta(self, name: str) -> np.ndarray:
        """Return the border's unknowns `name`."""
        return self.solution.beta[self.border.places[name]]

    def beta_variance(self, name: str) -> np.ndarray:
        """Return the variances of the border's unknowns `name`."""
        return np.diag(self.solution.beta_covariance)[self.border.places[name]]

    def in_band(self, place, border=None) -> tuple[np.ndarray, np.ndarray]:
        """Return estimates and variances of banded unknowns, each plus a combination of the border's.

        Parameters
        ----------
        place : np.ndarray of int, shape=(k,)
            Banded unknowns.
        border : np.ndarray, shape=(k, m), optional
            What is added per unit of each of the border's unknowns (default: nothing).

        Returns
        -------
        estimate, variance : np.ndarray, shape=(k,)
        """
        loading = -self._gain[place] if border is None else border - self._gain[place]
        estimate, beta = self.solution.x[place], self.solution.beta_covariance
        if border is not None:
            estimate = estimate + border @ self.solution.beta
        return estimate, self._band_variance[place] + np.einsum("im,mk,ik->i", loading, beta, loading, optimize=True)

    def gain_at(self, place) -> np.ndarray:
        """Return how banded unknowns answer to the border's, shape=(*place.shape, m)."""
        return -self._gain[place]

    def in_border(self, columns, basis) -> tuple[np.ndarray, np.ndarray]:
        """Return estimates and variances of combinations of the border's unknowns.

        Parameters
        ----------
        columns : slice or np.ndarray of int, (m,)
            The unknowns.
        basis : np.ndarray, shape=(k, m)
            The combinations.

        Returns
        -------
        estimate, variance : np.ndarray, shape=(k,)
        """
        columns = np.arange(len(self.solution.beta))[columns]
        covariance = self.solution.beta_covariance[np.ix_(columns, columns)]
        variance = np.einsum("im,mk,ik->i", basis, covariance, basis, optimize=True)
        return basis @ self.solution.beta[columns], np.maximum(variance, 0.0)

    def effect_precision(self, name: str, before) -> np.ndarray:
        """Return the prior precision (1/s²) of an effect for each striker that has one: a step of EM.

        The effect is Cauchy-distributed over the strikers (next to none for most, much for a few): normal with a
        precision w/s² of each striker's own, w = 2 / (1 + E θ²/s²), s² the mean of w E θ² (Lange, Little & Taylor 1989,
        J. Am. Stat. Assoc. 84, 881, for Student's t of any degrees of freedom; from memory).

        Parameters
        ----------
        before : np.ndarray
            Returned as it is when no striker has the effect.
        """
        if len(self.beta(name)) == 0:
            return before
        square = np.maximum(self.beta(name) ** 2 + self.beta_variance(name), LEAST_EFFECT_S2)
        scale = np.median(square)
        for _ in range(CAUCHY_STEPS):
            scale = np.mean(2 * square / (1 + square / scale))
        return 2 / (scale + square)

    @cached_property
    def _gain(self):
        return self.solution.gain()

    @cached_property
    def _band_variance(self):
        """Return the diagonal of A⁻¹: the variances of the banded unknowns if the border were known."""
        blocks = bordered_solver.band_covariance(self.normal, self.layout.edges)
        return np.concatenate([np.diag(block) for block in blocks]) if blocks else np.zeros(0)
