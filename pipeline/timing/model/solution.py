"""Hold one solution of the normal equations, and answer for the variances of what it estimates."""

from dataclasses import dataclass

import numpy as np

from pipeline.timing.model import bordered_solver
from pipeline.timing.model.design import Border
from pipeline.timing.model.normal_equations import Data


@dataclass(frozen=True, eq=False)
class Solved:
    """One solution of the normal equations, with what made them."""

    border: Border
    data: Data
    normal: bordered_solver.System
    solution: bordered_solver.Solution

    def fitted_s(self, layout) -> np.ndarray:
        """Return what the model says of each hit, pins included."""
        return self.solution.x[layout.state] + self.banded_pin_s(layout) + self.border.matrix @ self.solution.beta

    def banded_pin_s(self, layout) -> np.ndarray:
        return np.where(layout.pin >= 0, self.solution.x[np.maximum(layout.pin, 0)] * self.data.pace, 0.0)

    def beta(self, name: str) -> np.ndarray:
        return self.solution.beta[self.border.places[name]]

    def effect_precision(self, name: str, before) -> np.ndarray:
        """Return the prior precision of an effect for each striker that has one: one step of expectation-maximisation.

        The effect is Cauchy's over the strikers (next to none for most, much for a few): normal with a precision w/s²
        of each striker's own, w = 2 / (1 + E θ²/s²), s² the mean of w E θ² (Lange, Little & Taylor 1989, J. Am. Stat.
        Assoc. 84, 881, for Student's t of any freedom; from memory).
        """
        place = self.border.places[name]
        if place.start == place.stop:
            return before
        square = self.beta(name) ** 2 + np.diag(self.solution.beta_covariance)[place]
        square = np.maximum(square, 1e-10)  # (10 µs)²
        scale = np.median(square)
        for _ in range(20):
            scale = np.mean(2 * square / (1 + square / scale))
        return 2 / (scale + square)


class Covariance:
    """Answer for variances of what one solution estimates."""

    def __init__(self, solved: Solved, layout):
        blocks = bordered_solver.band_covariance(solved.normal, layout.edges)
        self.own = np.concatenate([np.diag(block) for block in blocks]) if blocks else np.zeros(0)
        self.gain = solved.solution.gain()
        self.beta = solved.solution.beta_covariance

    def variance(self, place, border=None) -> np.ndarray:
        """Return the variance of banded unknowns, each plus a combination `border` (n, m) of the border's."""
        loading = -self.gain[place] if border is None else border - self.gain[place]
        return self.own[place] + np.einsum("im,mk,ik->i", loading, self.beta, loading, optimize=True)
