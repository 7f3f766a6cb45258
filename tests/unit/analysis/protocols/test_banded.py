"""Errors that are correlated with their neighbours, made independent."""

from __future__ import annotations

import numpy as np
import pytest

from controller.analysis.protocols.banded import factor, whitened


@pytest.mark.parametrize("neighbour", [-0.5, -0.2, 0.0, 0.25])
def test_a_whitened_covariance_is_the_unit_matrix(neighbour: float) -> None:
    """L^-1 C L^-T = 1, with the dense matrix written out."""
    rng = np.random.default_rng(1)
    scales = rng.uniform(0.5, 2.0, 30)
    variances, neighbours = scales**2, neighbour * scales[1:] * scales[:-1]
    dense = np.diag(variances) + np.diag(neighbours, 1) + np.diag(neighbours, -1)
    cholesky = factor(variances, neighbours)
    half = whitened(cholesky, dense)
    assert np.allclose(whitened(cholesky, half.T.copy()), np.eye(30), atol=1e-10)


def test_columns_are_whitened_by_themselves() -> None:
    rng = np.random.default_rng(2)
    cholesky = factor(np.ones(20), np.full(19, 0.25))
    pair = rng.standard_normal((20, 2))
    apart = np.stack([whitened(cholesky, pair[:, k]) for k in (0, 1)], axis=1)
    assert np.allclose(whitened(cholesky, pair), apart, atol=1e-14)
