"""Fewer points for a picture, with every peak and dip kept."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

__all__ = ["keep_extremes", "runs"]


def runs(valid: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Stretches of True as (start, stop), so that a gap in the readings stays a gap in the line."""
    padded = np.concatenate([[False], valid, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def keep_extremes(y: NDArray[np.float64], limit: int) -> NDArray[np.int64]:
    """Indices of at most `limit` points: first, last, and lowest and highest of each of equal groups.

    Parameters
    ----------
    y
        Finite values, shape (n,), in drawing order.
    limit
        At least 4.

    Returns
    -------
    Rising indices, shape (m,), m <= limit; all of them when n <= limit.
    """
    if limit < 4:
        raise ValueError(f"at least 4 points are needed to keep ends and extremes, not {limit}")
    n = len(y)
    if n <= limit:
        return np.arange(n, dtype=np.int64)
    groups = (limit - 2) // 2
    edges = np.linspace(0, n, groups + 1).astype(np.int64)
    chosen = [np.array([0, n - 1], dtype=np.int64)]
    for start, stop in itertools.pairwise(edges):
        part = y[start:stop]
        chosen.append(np.array([start + int(part.argmin()), start + int(part.argmax())], dtype=np.int64))
    return np.unique(np.concatenate(chosen))
