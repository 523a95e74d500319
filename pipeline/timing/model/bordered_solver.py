"""Solve one banded, bordered normal system.

    [ A  B ] [x]   [p]      A banded and positive definite (motion and pins, ordered along the score),
    [ B' C ] [β] = [q]      B, C the border (slopes, delays, drags, ...), few and dense

by the banded Cholesky factor A = L L' and the Schur complement S = C − B' A⁻¹ B of the border.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import linalg
from scipy.linalg import lapack


@dataclass(frozen=True, eq=False)
class System:
    """A bordered system.

    Parameters
    ----------
    band : np.ndarray, shape=(width + 1, n)
        Lower band of A as LAPACK stores it: `band[i - j, j] = A[i, j]`.
    border : np.ndarray, shape=(n, m)
    corner : np.ndarray, shape=(m, m)
    band_right : np.ndarray, shape=(n,)
    border_right : np.ndarray, shape=(m,)
    """

    band: np.ndarray
    border: np.ndarray
    corner: np.ndarray
    band_right: np.ndarray
    border_right: np.ndarray


@dataclass(frozen=True, eq=False)
class Solution:
    """What solves a System.

    Parameters
    ----------
    x, beta : np.ndarray
        The unknowns of band and border.
    log_determinant : float
        Of the whole matrix.
    fit : float
        p'x + q'β: what the fit takes off the sum of squares.
    factor : np.ndarray, shape=(width + 1, n)
        L in band storage.
    half : np.ndarray, shape=(n, m)
        L⁻¹ B.
    beta_covariance : np.ndarray, shape=(m, m)
        S⁻¹.
    """

    x: np.ndarray
    beta: np.ndarray
    log_determinant: float
    fit: float
    factor: np.ndarray
    half: np.ndarray
    beta_covariance: np.ndarray

    def gain(self) -> np.ndarray:
        """Return A⁻¹ B, shape=(n, m): how the banded unknowns answer to the border's."""
        return _triangular(self.factor, self.half, "T")


def solve(system: System) -> Solution:
    """Solve the system.

    Raises
    ------
    numpy.linalg.LinAlgError
        A or S is not positive definite: something cannot be told from the data and has no prior.
    """
    n, m = system.border.shape
    if n:
        factor, info = lapack.dpbtrf(system.band, lower=1)
        if info:
            raise np.linalg.LinAlgError(f"banded block not positive definite at unknown {info}")
        half = _triangular(factor, np.column_stack([system.border, system.band_right]), "N")
        half, right = half[:, :m], half[:, m]
        log_determinant = 2 * float(np.log(factor[0]).sum())
    else:
        factor, half, right, log_determinant = system.band, np.zeros((0, m)), np.zeros(0), 0.0
    if m == 0:
        x = _triangular(factor, right[:, None], "T")[:, 0]
        return Solution(x, np.zeros(0), log_determinant, float(right @ right), factor, half, np.zeros((0, 0)))
    schur = system.corner - half.T @ half
    rest = system.border_right - half.T @ right
    # Columns of very different size (seconds against beats against ratios) are scaled alike first.
    scale = 1 / np.sqrt(np.maximum(np.diag(schur), np.finfo(float).tiny))
    root = linalg.cholesky(schur * scale[:, None] * scale, lower=True)
    beta = scale * linalg.cho_solve((root, True), scale * rest)
    beta_covariance = linalg.cho_solve((root, True), np.diag(scale)) * scale[:, None]
    log_determinant += 2 * float(np.log(np.diag(root)).sum() - np.log(scale).sum())
    inner = right - half @ beta
    x = _triangular(factor, inner[:, None], "T")[:, 0] if n else np.zeros(0)
    fit = float(right @ right + rest @ beta)
    return Solution(x, beta, log_determinant, fit, factor, half, beta_covariance)


def forward(solution: Solution, right: np.ndarray) -> np.ndarray:
    """Return L⁻¹ of `right`, shape=(n, k)."""
    return _triangular(solution.factor, right, "N")


def band_covariance(system: System, edges: np.ndarray) -> list[np.ndarray]:
    """Return the diagonal blocks of A⁻¹; parameters as in `covariances_backwards`."""
    return [block for block, _ in covariances_backwards(system, edges)][::-1]


def covariances_backwards(system: System, edges: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray | None]]:
    """Yield the diagonal blocks of A⁻¹, the last first, each with the block to its right (None for the last).

    Parameters
    ----------
    edges : np.ndarray of int, shape=(n_blocks + 1,)
        Where blocks begin and end, such that A couples neighbouring blocks only.

    Notes
    -----
    Block by block forwards S_k = A_kk − A_k,k−1 S_k−1⁻¹ A_k−1,k and backwards
    Σ_k = S_k⁻¹ + G_k Σ_k+1 G_k', Σ_k,k+1 = −G_k Σ_k+1, G_k = S_k⁻¹ A_k,k+1 (Takahashi, Fagan & Chen 1973; Rue &
    Held 2005, ch. 2.4).
    """
    inverses, gains, carried = [], [], None
    for begin, end, after in zip(edges[:-1], edges[1:], [*edges[2:], edges[-1]], strict=True):
        block = _dense(system.band, begin, end, begin, end)
        if carried is not None:
            block = block - carried
        inverse = linalg.inv(block, check_finite=False)
        below = _dense(system.band, end, after, begin, end)
        gain = inverse @ below.T
        carried = below @ gain
        inverses.append(inverse)
        gains.append(gain)
    following = None
    for inverse, gain in zip(reversed(inverses), reversed(gains), strict=True):
        right = None if following is None else -gain @ following
        following = inverse if right is None else inverse - right @ gain.T
        yield following, right


def _triangular(factor, right, transposed):
    if right.size == 0:
        return right
    solved, info = lapack.dtbtrs(factor, np.asfortranarray(right), uplo="L", trans=transposed)
    if info:
        raise np.linalg.LinAlgError(f"dtbtrs: {info}")
    return solved


def _dense(band, row_begin, row_end, begin, end):
    """Cut the block A[row_begin:row_end, begin:end], at or below the diagonal, out of the lower band."""
    row, column = np.arange(row_begin, row_end)[:, None], np.arange(begin, end)[None, :]
    low, high = np.maximum(row, column), np.minimum(row, column)
    offset = low - high
    inside = offset < band.shape[0]
    return np.where(inside, band[np.where(inside, offset, 0), high], 0.0)
