"""Superimposition of many configurations, against an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from procrustes.generalized import generalized
from scipy.linalg import orthogonal_procrustes

from morpho.shape.superimposition import GeneralizedProcrustes, procrustes_distance


def _standard(X):
    X = X - X.mean(axis=1, keepdims=True)
    return X / np.linalg.norm(X, axis=(1, 2), keepdims=True)


def _by_library(X):
    """Gower's algorithm of qc-procrustes.

    It neither centres nor scales, so both are done before. It may reflect; the caller checks
    that it did not.
    """
    Z = _standard(X)
    aligned, _ = generalized(list(Z), tol=1e-30, n_iter=3000)
    aligned = np.array(aligned)
    turns = [np.linalg.lstsq(z, a, rcond=None)[0] for z, a in zip(Z, aligned, strict=True)]
    return aligned, np.linalg.det(turns)


def _compare(X):
    expected, determinants = _by_library(X)
    np.testing.assert_allclose(determinants, 1, atol=1e-8)
    model = GeneralizedProcrustes()
    aligned = model.fit_transform(X)
    assert model.converged_
    # up to one rotation for all: the frame of the mean is each library's own
    mean = expected.mean(axis=0)
    turn, _ = orthogonal_procrustes(mean, model.mean_)
    assert np.linalg.det(turn) == pytest.approx(1)
    np.testing.assert_allclose(aligned, expected @ turn, atol=1e-8)
    np.testing.assert_allclose(model.mean_, mean / np.linalg.norm(mean) @ turn, atol=1e-8)


@pytest.mark.parametrize(("n", "k", "d"), [(3, 4, 2), (15, 10, 2), (20, 7, 3), (60, 5, 3)])
def test_same_as_independent_library_on_random_shapes(draw_bones, n, k, d):
    """qc-procrustes 1.1, `generalized`: Gower (1975)."""
    _compare(draw_bones(np.random.default_rng(n), n, k=k, d=d, spread=0.1))


def test_same_as_independent_library_on_optical_nerves(nerves):
    """qc-procrustes 1.1 on real landmarks in space, nearly flat ones."""
    _compare(nerves[0])


def test_mean_is_a_fixed_point_and_a_minimum(nerves, draw_bones):
    """Gower (1975), Goodall (1991): the mean minimises the squared distances to it.

    The sum of squared full Procrustes distances belongs to a mean with scale fitted; here,
    with unit size kept, it is the squared chords that are least: moving the mean in any
    direction makes their sum grow.
    """
    rng = np.random.default_rng(6)
    for X in (nerves[0], draw_bones(rng, 25)):
        mean = GeneralizedProcrustes().fit(X).mean_

        def cost(M, X=X):
            return (procrustes_distance(X, M[None], kind="partial") ** 2).sum()

        least = cost(mean)
        for _ in range(40):
            assert cost(mean + 1e-3 * rng.normal(size=mean.shape)) > least


def test_mean_does_not_depend_on_the_specimen_it_starts_from(nerves):
    """Any order of the specimens leads to one mean shape."""
    X = nerves[0]
    mean = GeneralizedProcrustes().fit(X).mean_
    for first in range(1, len(X)):
        other = GeneralizedProcrustes().fit(np.roll(X, first, axis=0)).mean_
        assert procrustes_distance(mean[None], other[None])[0] < 1e-8


def test_queries_do_not_move_the_mean(nerves):
    """Whatever is transformed, mean and neighbours stay where they are."""
    X = nerves[0]
    model = GeneralizedProcrustes().fit(X[:15])
    before = model.mean_.copy()
    alone = model.transform(X[15:16])
    together = model.transform(np.concatenate([X[15:], X[15:, ::-1]]))
    np.testing.assert_array_equal(model.mean_, before)
    np.testing.assert_allclose(together[0], alone[0], atol=1e-14)
