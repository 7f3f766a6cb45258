"""Errors that are correlated with their neighbours only, made independent.

Means over adjacent intervals share kicks and noise, and so do differences of
adjacent readings: their covariance is tridiagonal.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import cholesky_banded
from scipy.linalg.lapack import dtbtrs


def factor(variances: np.ndarray, neighbours: np.ndarray) -> np.ndarray:
    """Lower Cholesky factor of a tridiagonal covariance.

    Parameters
    ----------
    variances : ndarray of float64, shape (n,)
        Of the errors.
    neighbours : ndarray of float64, shape (n - 1,)
        Covariance of each with the next.

    Returns
    -------
    ndarray of float64, shape (2, n)
        In banded form, for `whitened`.
    """
    banded = np.zeros((2, len(variances)))
    banded[0], banded[1, :-1] = variances, neighbours
    return np.asarray(cholesky_banded(banded, lower=True))


def whitened(cholesky: np.ndarray, errors: np.ndarray) -> np.ndarray:
    """Errors as independent numbers of unit variance.

    Parameters
    ----------
    cholesky : ndarray of float64, shape (2, n)
        From `factor`.
    errors : ndarray of float64, shape (n,) or (n, k)
        As correlated as that says, each column by itself.

    Returns
    -------
    ndarray of float64, of the same shape
    """
    solution, _ = dtbtrs(cholesky, errors, uplo="L")
    return np.asarray(solution).reshape(errors.shape)
