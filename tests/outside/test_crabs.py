"""Rock crabs: allometry, and what tells species and sexes apart once size is taken out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.metrics import cohen_kappa_score

from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.allometry import CommonSlope, regression_score
from morpho.inference.models.linear_model import term_tests
from morpho.inference.models.ordination import ShapeSpace


def _shape_and_size(Y):
    """Log size is the mean of the log lengths, shape what is left (Mosimann 1970)."""
    size = Y.mean(axis=1)
    return Y - size[:, None], size


def test_common_slope_as_statsmodels(crabs):
    """OLS of statsmodels with a column for each of the four groups: slopes and adjusted means."""
    Y, species, sex = crabs
    shape, size = _shape_and_size(Y)
    group = np.char.add(species, sex)
    ours = CommonSlope().fit(shape, size, group)
    dummies = pd.get_dummies(group).to_numpy(float)
    fits = [sm.OLS(y, np.column_stack([dummies, size])).fit() for y in shape.T]
    np.testing.assert_allclose(ours.slope_, [fit.params[-1] for fit in fits], atol=1e-11)
    at_mean = np.column_stack([np.eye(4), np.full(4, size.mean())])
    np.testing.assert_allclose(
        ours.group_means_, np.column_stack([fit.predict(at_mean) for fit in fits]), atol=1e-11
    )
    # taking the slope out leaves residuals plus group means
    residuals = np.column_stack([fit.resid for fit in fits])
    np.testing.assert_allclose(
        ours.remove(shape, size), residuals + dummies @ ours.group_means_, atol=1e-11
    )
    new = np.array([2.0, 3.0])
    row = np.column_stack([np.tile(np.eye(4)[2], (2, 1)), new])
    np.testing.assert_allclose(
        ours.predict(new, ours.groups_[2]),
        np.column_stack([fit.predict(row) for fit in fits]),
        atol=1e-11,
    )


def test_regression_score_goes_with_size_as_no_other_direction(crabs):
    """Drake & Klingenberg (2008): the score has the largest covariance with size.

    Within groups, over all directions of unit length; and the score is the regression on size
    of statsmodels, up to what lies square to the slope.
    """
    Y, species, sex = crabs
    shape, size = _shape_and_size(Y)
    group = np.char.add(species, sex)
    slope = CommonSlope().fit(shape, size, group).slope_
    score = regression_score(shape, slope)
    dummies = pd.get_dummies(group).to_numpy(float)
    x = sm.OLS(size, dummies).fit().resid
    directions = np.random.default_rng(1).normal(size=(2000, 5))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    assert np.abs(x @ shape @ directions.T).max() <= x @ score
    fit = sm.OLS(score, np.column_stack([dummies, size])).fit()
    assert fit.params[-1] == pytest.approx(np.linalg.norm(slope), rel=1e-10)


def test_principal_components_in_print(crabs):
    """Log lengths of crabs: standard deviations and loadings of the principal components.

    Venables & Ripley (2002), Modern Applied Statistics with S: 0.5166, 0.0747,
    0.0479, 0.0248, 0.0091 (with n in the denominator), loadings 0.452, 0.387, 0.453, 0.440,
    0.497 of the first axis, which is size, and 0.911 of rear width on the second. Digits from
    memory.
    """
    space = ShapeSpace(axes="share").fit(crabs[0])
    deviations = np.sqrt(space.variance_ * 199 / 200)
    np.testing.assert_allclose(deviations, [0.5166, 0.0747, 0.0479, 0.0248, 0.0091], atol=5.1e-5)
    np.testing.assert_allclose(
        space.components_[0], [0.452, 0.387, 0.453, 0.440, 0.497], atol=5.1e-4
    )
    assert space.components_[1, 1] == pytest.approx(0.911, abs=5.1e-4)


def test_sums_of_squares_as_statsmodels(crabs):
    """Sequential analysis of variance of statsmodels, variable by variable, then summed."""
    Y, species, sex = crabs
    shape, size = _shape_and_size(Y)
    variables = {"size": size, "species": species, "sex": sex}
    terms = ["size", "species", "sex", ("species", "sex"), ("size", "species")]
    ours = term_tests(shape, terms, variables, permutations=199, random_state=1)
    summed = 0
    for y in shape.T:
        frame = pd.DataFrame({**variables, "y": y})
        # one model after the other, because a formula puts covariates last
        names = ["1", "size", "species", "sex", "species:sex", "size:species"]
        left = [
            smf.ols(f"y ~ {' + '.join(names[:count])}", frame).fit().ssr for count in range(1, 7)
        ]
        summed = summed + np.array([*-np.diff(left), left[-1], left[0]])
    np.testing.assert_allclose(ours["sum_of_squares"], summed, rtol=1e-9)
    assert ours["degrees_of_freedom"].tolist() == [1, 1, 1, 1, 1, 194, 199]
    # species, sex and their interaction are there once size is in the model
    assert (ours["p_value"][:4] == 0.005).all()


def test_first_terms_as_anova_table(crabs):
    """anova_lm of statsmodels, type I, summed over variables, for factors alone."""
    Y, species, sex = crabs
    ours = term_tests(
        Y, ["species", "sex", ("species", "sex")], {"species": species, "sex": sex}, permutations=0
    )
    tables = []
    for y in Y.T:
        frame = pd.DataFrame({"species": species, "sex": sex, "y": y})
        tables.append(sm.stats.anova_lm(smf.ols("y ~ species * sex", frame).fit(), typ=1))
    np.testing.assert_allclose(
        ours["sum_of_squares"][:4], sum(table["sum_sq"] for table in tables), rtol=1e-9
    )
    np.testing.assert_array_equal(ours["degrees_of_freedom"][:4], tables[0]["df"])


def _left_out(scores, group, size):
    """Class of each crab by posterior probability, from a fit that has not seen it."""
    chosen = []
    for i in range(len(group)):
        rest = np.arange(len(group)) != i
        given = None if size is None else size[rest]
        model = KnownTaxa(scores[rest], group[rest], given, axes=np.eye(scores.shape[1]))
        held = model.hold(scores[i : i + 1], None if size is None else size[i : i + 1])
        chosen.append(model.taxa[held.posterior[0].argmax()])
    return np.array(chosen)


def _left_out_by_others(scores, group, size):
    """The same by statsmodels' regression and scikit-learn's discriminants."""
    chosen = []
    for i in range(len(group)):
        rest = np.arange(len(group)) != i
        A, b = scores[rest], scores[i : i + 1]
        if size is not None:
            X = np.column_stack([pd.get_dummies(group[rest]).to_numpy(float), size[rest]])
            slope = np.array([sm.OLS(y, X).fit().params[-1] for y in A.T])
            A = A - np.outer(size[rest], slope)
            b = b - size[i] * slope
        model = LinearDiscriminantAnalysis(solver="svd", priors=np.full(4, 0.25))
        chosen.append(model.fit(A, group[rest]).predict(b)[0])
    return np.array(chosen)


@pytest.mark.parametrize(("heeded", "least", "most"), [(True, 0.9, 1.0), (False, 0.85, 1.0)])
def test_four_groups_left_out_one_by_one(crabs, heeded, least, most):
    """Species and sexes told apart by shape, each crab left out of its own reference.

    Campbell & Mahon (1974) could separate all four groups. Classes crab by crab as by
    statsmodels and scikit-learn; accuracy corrected for chance is Cohen's kappa.
    """
    Y, species, sex = crabs
    shape, size = _shape_and_size(Y)
    group = np.char.add(species, sex)
    scores = ShapeSpace(axes="share", share=0.9999).fit(shape).transform(shape)[:, :4]
    given = size if heeded else None
    ours = _left_out(scores, group, given)
    np.testing.assert_array_equal(ours, _left_out_by_others(scores, group, given))
    assert least <= cohen_kappa_score(group, ours) <= most


def test_one_length_alone_tells_little(crabs):
    """Carapace length, which is all but size, hardly tells the four groups apart."""
    Y, species, sex = crabs
    group = np.char.add(species, sex)
    assert cohen_kappa_score(group, _left_out(Y[:, 2:3], group, None)) < 0.2
