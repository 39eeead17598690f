"""Ridge regression against plain loops."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.shape.checks import ShapeError
from morpho.shape.estimation.ridge import PENALTIES, Ridge


@pytest.fixture
def data():
    rng = np.random.default_rng(1)
    X = rng.normal(size=(15, 20)) + 4
    return X, X[:, :3] @ rng.normal(size=(3, 2)) + 0.3 * rng.normal(size=(15, 2))


def by_hand(X, Y, penalty):
    """Normal equations with an unpenalised intercept."""
    x, y = X - X.mean(axis=0), Y - Y.mean(axis=0)
    B = np.linalg.solve(x.T @ x + penalty * np.eye(x.shape[1]), x.T @ y)
    return B, Y.mean(axis=0) - X.mean(axis=0) @ B


def test_coefficients_are_those_of_the_normal_equations(data):
    X, Y = data
    model = Ridge(0.2).fit(X, Y)
    s = np.linalg.svd(X - X.mean(axis=0), compute_uv=False)
    B, intercept = by_hand(X, Y, 0.2 * np.mean(s**2))
    np.testing.assert_allclose(model.coefficients_, B)
    np.testing.assert_allclose(model.predict(X[:2]), X[:2] @ B + intercept)
    assert model.penalty_ == 0.2


def test_left_out_residuals_are_those_of_refitting(data):
    """Exact for a given penalty: the mean moves with the specimen left out, as it should."""
    X, Y = data
    model = Ridge(0.2).fit(X, Y)
    for i in range(len(X)):
        rest = np.arange(len(X)) != i
        B, intercept = by_hand(X[rest], Y[rest], model.lambda_)
        np.testing.assert_allclose(model.left_out_residuals_[i], Y[i] - X[i] @ B - intercept)


def test_the_penalty_chosen_has_the_least_left_out_error(data):
    X, Y = data
    errors = [(Ridge(p).fit(X, Y).left_out_residuals_ ** 2).sum() for p in PENALTIES]
    chosen = Ridge().fit(X, Y)
    assert chosen.penalty_ == pytest.approx(PENALTIES[int(np.argmin(errors))])
    assert 1e-5 < chosen.penalty_ < 1e3
    assert (chosen.left_out_residuals_**2).sum() == pytest.approx(min(errors))


def test_noise_is_not_regressed_on():
    rng = np.random.default_rng(2)
    X, Y = rng.normal(size=(40, 10)), rng.normal(size=(40, 1))
    model = Ridge().fit(X, Y)
    assert model.penalty_ > 10
    assert model.residual_df_ > 38


def test_widening_is_one_on_average_for_specimens_left_out(data):
    """Leverage of a left-out specimen from the others alone: 1 + h = 1 / (1 - h_ii)."""
    X, Y = data
    model = Ridge(0.2).fit(X, Y)
    found = []
    for i in range(len(X)):
        x = np.delete(X, i, axis=0)
        centred, here = x - x.mean(axis=0), X[i] - x.mean(axis=0)
        inner = centred.T @ centred + model.lambda_ * np.eye(X.shape[1])
        found.append(1 + 1 / len(x) + here @ np.linalg.solve(inner, here))
    np.testing.assert_allclose(found, 1 / (1 - model.leverages_))
    np.testing.assert_allclose(
        model.widening(X), (1 + model.leverages_) / np.mean(found), rtol=1e-9
    )
    assert model.widening(X[:1] + 50)[0] > 10


def test_what_is_refused(data):
    X, Y = data
    with pytest.raises(ValueError, match="'leave_one_out' or a number"):
        Ridge("best").fit(X, Y)
    with pytest.raises(ValueError, match="over 0"):
        Ridge(0.0).fit(X, Y)
    with pytest.raises(ShapeError, match="do not vary"):
        Ridge().fit(np.ones((5, 3)), Y[:5])
