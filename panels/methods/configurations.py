"""How far two maps of the same samples agree: the RV coefficient.

A map is a table of samples by any number of columns (attributes, dimensions of a sorting task).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from bulkflow.statistics.arguments import finite_array
from panels.errors import DataError

__all__ = ["rv_coefficient"]


def rv_coefficient(x: ArrayLike, y: ArrayLike) -> float:
    """Return the RV coefficient of two configurations, 0 (nothing in common) to 1 (same shape).

    Parameters
    ----------
    x, y : arrays, (samples, columns); the same samples in the same order, columns may differ.

    Notes
    -----
    ``tr(XX'YY')/sqrt(tr((XX')²) tr((YY')²))``, columns centred.

    References
    ----------
    Robert and Escoufier (1976) Applied Statistics 25, 257-265.

    Examples
    --------
    >>> round(rv_coefficient([[1, 2], [2, 1], [3, 4], [4, 3]], [[1, 1], [2, 3], [3, 2], [5, 4]]), 4)
    0.6716
    """
    a = finite_array("x", x, dimensions=2, least=2)
    b = finite_array("y", y, dimensions=2, least=2)
    if a.shape[0] != b.shape[0]:
        raise DataError(f"{a.shape[0]} samples against {b.shape[0]}: they must be the same.")
    a, b = a - a.mean(0), b - b.mean(0)
    cross, own_a, own_b = a.T @ b, a.T @ a, b.T @ b
    scale = float(np.sqrt((own_a**2).sum() * (own_b**2).sum()))
    if scale == 0.0:
        raise DataError("one of the configurations puts every sample at the same place.")
    return float((cross**2).sum()) / scale
