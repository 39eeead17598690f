"""Principal axes: by the smaller matrix, and of a sample that one more specimen joins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from sklearn.decomposition import PCA

from morpho.inference.membership.typicality import Membership
from morpho.inference.models import principal_axes as module
from morpho.inference.models.principal_axes import PrincipalAxes, narrow, principal_axes


@pytest.mark.parametrize("shape", [(5, 40), (12, 12), (40, 5), (1, 3)])
def test_narrow_rows_have_the_same_inner_products(rng, shape):
    Y = rng.normal(size=shape)
    small = narrow(Y)
    assert small.shape == (shape[0], min(shape))
    np.testing.assert_allclose(small @ small.T, Y @ Y.T, atol=1e-12)


@pytest.mark.parametrize("shape", [(9, 40), (40, 9)])
def test_first_axes_are_those_of_scikit_learn(rng, shape):
    Y = rng.normal(size=shape) * np.geomspace(3, 0.2, shape[1]) + 7
    ours, theirs = principal_axes(Y, 3), PCA(3, svd_solver="full").fit(Y).components_.T
    np.testing.assert_allclose(np.abs(ours.T @ theirs), np.eye(3), atol=1e-10)
    np.testing.assert_allclose(ours.T @ ours, np.eye(3), atol=1e-12)


def test_no_more_axes_than_specimens_and_none_lost_where_nothing_varies(rng):
    assert principal_axes(rng.normal(size=(4, 9)), 7).shape == (9, 4)
    flat = principal_axes(np.ones((4, 9)), 2)
    np.testing.assert_allclose(flat.T @ flat, np.eye(2), atol=1e-12)


@pytest.mark.parametrize("shape", [(6, 30), (30, 6), (30, 60)])
def test_all_axes_of_a_sample(rng, shape):
    R = rng.normal(size=shape)
    R -= R.mean(axis=0)
    found = PrincipalAxes.of(R)
    singular = np.linalg.svd(R, compute_uv=False)
    np.testing.assert_allclose(found.squares, singular**2, atol=1e-10)
    np.testing.assert_allclose(found.axes.T @ found.axes, np.eye(min(shape)), atol=1e-12)
    np.testing.assert_allclose(found.scores, R @ found.axes, atol=1e-12)
    np.testing.assert_allclose(found.scores @ found.axes.T, R, atol=1e-12)


def _joined(model, query, where, n_axes):
    """The residuals of all with the query in a taxon, by a fit of its own, and their axes."""
    basis = np.vstack([model.basis_, where])
    Y = np.vstack([model.residuals_ + model.basis_ @ model.fits_[0], query])
    rest = Y - basis @ np.linalg.lstsq(basis, Y, rcond=None)[0]
    return np.linalg.svd(rest, full_matrices=False)[2][:n_axes].T


@pytest.mark.parametrize("variables", [4, 13, 14, 15, 60])
def test_a_newcomer_joins_as_in_a_fit_of_its_own(rng, variables):
    """Whether variables are fewer than specimens or more: a plain fit with the query in it."""
    labels, size = np.array(list("aaaaabbbbbcccc")), rng.normal(size=14)
    Y = rng.normal(size=(14, variables)) * np.geomspace(2, 0.1, variables)
    queries = rng.normal(size=(3, variables))
    model = Membership().fit(Y, Y[:, :1], labels, size)
    where = model._places(np.array([0.1, 2.0, -1.0]), 3)
    e, h, _ = model._joining(queries, where)
    known, newcomer = model.principal_axes_.joined_by(e, h, 3)
    for q, g in np.ndindex(h.shape):
        axes = _joined(model, queries[q], where[q, g], 3)
        ours = np.vstack([known[q, g], newcomer[q, g]])
        plain = np.vstack([model.residuals_, e[q, g]]) @ axes
        # each axis up to its sign
        np.testing.assert_allclose(np.abs(ours), np.abs(plain), atol=1e-9)
        np.testing.assert_allclose(ours @ ours.T, plain @ plain.T, atol=1e-9)


_levels = st.sampled_from([0.0, 1e-14, 1e-9, 1e-3, 0.5, 1.0, 1.0, 2.0, 7.0])


@settings(max_examples=400, deadline=None)
@given(data=st.data(), count=st.integers(1, 9))
def test_the_short_way_captures_as_much_as_the_long_one(data, count):
    """Equal, tiny and missing squares and weights: leading eigenvectors of diag(s) + w w'."""
    squares = np.sort(data.draw(arrays(float, count, elements=_levels)))[::-1]
    signs = data.draw(arrays(float, count, elements=st.sampled_from([-1.0, 1.0])))
    w = signs * data.draw(arrays(float, count, elements=_levels))
    n_axes = data.draw(st.integers(1, count))
    product = np.diag(squares) + np.outer(w, w)
    scale = max(np.trace(product), 1e-300)
    largest = np.linalg.eigvalsh(product)[::-1][:n_axes]
    for axes in (module._by_roots(squares, w, n_axes), module._by_all(squares, w, n_axes)):
        if axes is None:  # the long way is taken
            continue
        assert axes.shape == (count, n_axes)
        np.testing.assert_allclose(axes.T @ axes, np.eye(n_axes), atol=1e-10)
        np.testing.assert_allclose(axes.T @ product @ axes / scale, np.diag(largest) / scale,
                                   atol=1e-12)  # fmt: skip


def test_the_short_way_is_the_usual_one_and_the_long_one_takes_equal_squares(rng, monkeypatch):
    long = []
    monkeypatch.setattr(
        module, "_by_all", lambda *given, way=module._by_all: long.append(1) or way(*given)
    )
    sample = PrincipalAxes.of(rng.normal(size=(20, 50)))
    sample.joined_by(rng.normal(size=(3, 2, 50)), np.full((3, 2), 0.1), 8)
    assert not long
    cross = PrincipalAxes.of(np.vstack([np.eye(4), -np.eye(4)]))
    known, newcomer = cross.joined_by(np.ones((1, 1, 4)), np.zeros((1, 1)), 2)
    assert long
    # the first axis points to the newcomer, whichever of the equal ones comes next
    assert abs(newcomer[0, 0, 0]) == pytest.approx(2.0)
    assert newcomer[0, 0, 1] == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose((known[0, 0] ** 2).sum(axis=0), [2.0, 2.0])


def test_a_newcomer_on_its_prediction_changes_no_axis(rng):
    R = rng.normal(size=(10, 6))
    sample = PrincipalAxes.of(R)
    known, newcomer = sample.joined_by(np.zeros((1, 1, 6)), np.full((1, 1), 0.2), 3)
    np.testing.assert_allclose(np.abs(known[0, 0]), np.abs(sample.scores[:, :3]))
    np.testing.assert_array_equal(newcomer, 0.0)
