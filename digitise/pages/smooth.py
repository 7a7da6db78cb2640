"""Smooth fields of displacement through scattered printed points, some of which are wrong.

Points are (x, y) page millimetres, displacements millimetres.
"""

from __future__ import annotations

import itertools

import numpy as np

_UNIT_MM = 100.0  # the spline's own unit of length
NEIGHBOURS = 7  # odd, so that the middle one of them is their median


def monomials(points_mm: np.ndarray, size_mm: tuple[float, float], degree: int) -> np.ndarray:
    """Products of powers of x and y up to a total `degree`, (N, terms); x and y run from -1 to 1 over the page."""
    across, down = (_powers(v, degree) for v in (2 * points_mm / np.asarray(size_mm) - 1).T)
    return np.stack([across[i] * down[j] for i in range(degree + 1) for j in range(degree + 1 - i)], axis=1)


def _powers(values: np.ndarray, degree: int) -> list[np.ndarray]:
    """Powers 0 to `degree` of each value."""
    return list(itertools.accumulate([values] * degree, np.multiply, initial=np.ones_like(values)))


def polynomial_on_grid(
    x_mm: np.ndarray, y_mm: np.ndarray, solution: np.ndarray, size_mm: tuple[float, float], degree: int
) -> np.ndarray:
    """The polynomial with these coefficients (terms, K) at every crossing of columns and rows, (rows, columns, K)."""
    across, down = (np.stack(_powers(2 * v / size - 1, degree)) for v, size in zip((x_mm, y_mm), size_mm, strict=True))
    square = np.zeros((degree + 1, degree + 1, solution.shape[1]))
    first, second = zip(*((i, j) for i in range(degree + 1) for j in range(degree + 1 - i)), strict=True)
    square[first, second] = solution
    return np.einsum("jy,ix,ijk->yxk", down, across, square, optimize=True)


def robust_polynomial(
    points: np.ndarray, shifts: np.ndarray, size_mm: tuple[float, float], degree: int, tolerance_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Polynomial coefficients (terms, 2) by iteratively reweighted least squares, and the kept points' mask."""
    basis = monomials(points, size_mm, degree)
    weight = np.ones(len(points))
    ridge = 1e-3 * np.eye(basis.shape[1])
    for _ in range(12):
        weighted = basis * weight[:, None]
        solution = np.linalg.solve(weighted.T @ basis + ridge, weighted.T @ shifts)
        error = np.linalg.norm(basis @ solution - shifts, axis=1)
        scale = max(tolerance_mm, 2.0 * _median(error))
        weight = 1.0 / (1.0 + (error / scale) ** 4)
    return solution, error < max(3 * tolerance_mm, 2 * scale)


def _median(values: np.ndarray) -> float:
    """As NumPy's median, in a tenth of the time for few values."""
    ranked = np.sort(values)
    return float(ranked[(len(values) - 1) // 2] + ranked[len(values) // 2]) / 2


def agreeing(points: np.ndarray, shifts: np.ndarray, *, neighbours: int = NEIGHBOURS) -> np.ndarray:
    """Which points moved as their nearest `neighbours`, an odd number, did, (N,) bool; none of as few points."""
    if len(points) <= neighbours:
        return np.zeros(len(points), bool)
    apart = _squares_apart(points, points)
    np.fill_diagonal(apart, np.inf)
    nearest = np.argpartition(apart, neighbours - 1, axis=1)[:, :neighbours]
    near, middle = shifts[nearest], neighbours // 2
    usual = np.sort(near, axis=1)[:, middle]
    spread = np.sort(np.linalg.norm(near - usual[:, None], axis=2), axis=1)[:, middle]
    return np.linalg.norm(shifts - usual, axis=1) < np.maximum(0.3, 3 * spread)


def _radial(from_points: np.ndarray, to_points: np.ndarray) -> np.ndarray:
    """r^2 log r between two sets of points, float32."""
    squared = _squares_apart(from_points, to_points)
    out = np.log(np.maximum(squared, np.float32(1e-12)))
    out *= squared
    out *= np.float32(0.5)
    return out


def _squares_apart(from_points: np.ndarray, to_points: np.ndarray) -> np.ndarray:
    """Squared distances between two sets of points, float32; rows in one piece let the processor take many at once."""
    (ax, ay), (bx, by) = (np.ascontiguousarray(v.T, np.float32) for v in (from_points, to_points))
    return np.square(ax[:, None] - bx) + np.square(ay[:, None] - by)


def thin_plate(points: np.ndarray, shifts: np.ndarray, at: np.ndarray, smoothing: float) -> np.ndarray:
    """Smoothing thin-plate spline through scattered displacements, evaluated at `at` (M, 2); (M, 2) float32.

    References
    ----------
    Wahba (1990), Spline Models for Observational Data, SIAM, ch. 2.4. doi:10.1137/1.9781611970128
    """
    p, q = points / _UNIT_MM, at / _UNIT_MM
    n = len(p)
    system = np.zeros((n + 3, n + 3))
    system[:n, :n] = _radial(p, p)
    system[np.arange(n), np.arange(n)] += smoothing
    system[:n, n], system[:n, n + 1 :] = 1.0, p
    system[n:, :n] = system[:n, n:].T
    solution = np.linalg.solve(system, np.vstack([shifts, np.zeros((3, 2))])).astype(np.float32)
    plane = np.column_stack([np.ones(len(q)), q]).astype(np.float32)
    return _radial(q, p) @ solution[:n] + plane @ solution[n:]
