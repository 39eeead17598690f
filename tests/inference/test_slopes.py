"""Growth lines of taxa: against separate regressions, and who is given one."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.design import InferenceError, indicator
from morpho.inference.models.slopes import FEWEST, own_slope_taxa, slope_basis

LABELS = np.repeat(["a", "b", "c"], [9, 12, 8])


def sample(rng, labels=LABELS, variables=4):
    """Growth lines in directions of their own."""
    taxa, place = np.unique(labels, return_inverse=True)
    size = rng.normal(3, 0.3, len(labels)) + 0.2 * place
    slope, form = rng.normal(size=(2, len(taxa), variables))
    Y = form[place] + slope[place] * size[:, None] + 0.3 * rng.normal(size=(len(size), variables))
    return Y, size


# ---------------------------------------------------------------- the basis


@pytest.mark.parametrize("own", [(), ("b",), ("a", "c"), ("a", "b", "c")])
def test_the_basis_is_orthonormal_and_orthogonal_to_taxa(rng, own):
    size = sample(rng)[1]
    taxa, columns = indicator(LABELS)
    basis, slope_of, lengths = slope_basis(size, taxa, columns, own)
    count = len(own) + (len(own) < 3)
    assert basis.shape == (29, count)
    np.testing.assert_allclose(basis.T @ basis, np.eye(count), atol=1e-12)
    np.testing.assert_allclose(columns.T @ basis, 0, atol=1e-12)
    away = size - np.array([size[t == LABELS].mean() for t in LABELS])
    for s in range(count):
        of = np.isin(LABELS, taxa[slope_of == s])
        np.testing.assert_allclose(basis[:, s] * lengths[s], np.where(of, away, 0), atol=1e-12)


def test_a_slope_without_a_spread_of_sizes_is_refused(rng):
    size = sample(rng)[1]
    size[LABELS == "b"] = 3.3
    taxa, columns = indicator(LABELS)
    assert slope_basis(size, taxa, columns, ("a",))[0].shape == (29, 2)
    with pytest.raises(InferenceError, match="Sizes do not vary within any group"):
        slope_basis(size, taxa, columns, ("b",))


def test_taxa_that_are_not_there_are_no_slopes(rng):
    size = sample(rng)[1]
    taxa, columns = indicator(LABELS)
    np.testing.assert_array_equal(
        slope_basis(size, taxa, columns, ("unknown",))[0], slope_basis(size, taxa, columns)[0]
    )


# ---------------------------------------------------------------- who has one


@pytest.mark.parametrize(
    ("p_value", "expected"),
    [(0.2, ()), (None, ()), (np.nan, ()), (0.05, ("a", "b", "c")), (0.001, ("a", "b", "c"))],
)
def test_own_slopes_need_a_test_that_rejects(rng, p_value, expected):
    assert own_slope_taxa(LABELS, sample(rng)[1], p_value, alpha=0.05) == expected


def test_small_taxa_share_the_slope_of_the_rest(rng):
    labels = np.repeat(["a", "b", "c"], [FEWEST - 1, FEWEST, 3])
    assert own_slope_taxa(labels, rng.normal(size=len(labels)), 0.001, alpha=0.05) == ("b",)
    size = rng.normal(size=len(labels))
    # the third has none to share with
    assert own_slope_taxa(labels, size, 0.001, alpha=0.05, fewest=7) == ("a", "b", "c")


def test_sizes_must_vary_in_those_left_to_share_a_slope(rng):
    """A taxon of one size beside taxa with own slopes would leave a slope without sizes."""
    size = sample(rng)[1]
    size[LABELS == "c"] = 3.0
    assert own_slope_taxa(LABELS, size, 0.001, alpha=0.05) == ()
    labels = np.append(LABELS, ["d", "d"])
    assert own_slope_taxa(labels, np.append(size, [3.0, 3.5]), 0.001, alpha=0.05) == ("a", "b")
    # one specimen has no slope: it has nothing to share either
    assert own_slope_taxa(np.append(LABELS, "d"), np.append(size, 3.0), 0.001, alpha=0.05) == ()


# ---------------------------------------------------------------- the model


@pytest.mark.parametrize("own", [(), ("b",), ("a", "b", "c")])
def test_predictions_and_leverages_are_those_of_statsmodels(rng, own):
    """Outside reference: statsmodels OLS, with an interaction for each taxon of its own slope.

    Without any it is the analysis of covariance, with all of them a regression for each taxon.
    """
    Y, size = sample(rng)
    model = KnownTaxa(Y, LABELS, size, own_slopes=own)
    at = np.array([1.7, 3.0, 4.6])
    predicted = model.predict(at, 3)
    groups = [np.array([t]) for t in own] + [np.setdiff1d(np.unique(LABELS), own)]

    def design(labels, x):
        columns = [(labels == t).astype(float) for t in "abc"]
        columns += [np.where(np.isin(labels, group), x, 0.0) for group in groups if len(group)]
        return np.column_stack(columns)

    X = design(LABELS, size)
    for j in range(Y.shape[1]):
        fitted = sm.OLS(Y[:, j], X).fit()
        np.testing.assert_allclose(model.residuals[:, j], fitted.resid, atol=1e-10)
        for g, taxon in enumerate("abc"):
            expected = fitted.predict(design(np.full(3, taxon), at))
            np.testing.assert_allclose(predicted[:, g, j], expected, atol=1e-9)
    assert model.degrees_of_freedom == fitted.df_resid
    np.testing.assert_allclose(model.leverages, fitted.get_influence().hat_matrix_diag)
    # leverage of the queries, by the standard error of what is predicted for them
    held = model.hold(np.zeros((3, 4)), at)
    h = (held.procrustes / held.comparable) ** 2 - 1
    for g, taxon in enumerate("abc"):
        frame = fitted.get_prediction(design(np.full(3, taxon), at))
        np.testing.assert_allclose(h[:, g], frame.var_pred_mean / fitted.mse_resid)


def test_own_slopes_are_separate_regressions(rng):
    """Each taxon by statsmodels OLS alone, without any of the others."""
    Y, size = sample(rng)
    model = KnownTaxa(Y, LABELS, size, own_slopes=("a", "b", "c"))
    predicted = model.predict([2.0, 3.4], 2)
    for g, taxon in enumerate("abc"):
        of = taxon == LABELS
        fitted = sm.OLS(Y[of], sm.add_constant(size[of])).fit()
        expected = np.array([[1, 2.0], [1, 3.4]]) @ fitted.params
        np.testing.assert_allclose(predicted[:, g], expected, atol=1e-10)
