"""Canonical axes and discriminants against other libraries and Fisher's irises in print."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from procrustes.generalized import generalized
from scipy import stats
from sklearn.covariance import LedoitWolf
from sklearn.decomposition import PCA
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from statsmodels.multivariate.manova import MANOVA

from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.taxa.classifier import NearestTaxon
from morpho.inference.taxa.discriminant import CanonicalAxes, ShapeDiscriminant, cross_validate
from morpho.inference.taxa.groups import group_tests
from morpho.shape.superimposition import centroid_size

ROWS = ["Wilks' lambda", "Pillai's trace", "Hotelling-Lawley trace", "Roy's greatest root"]


def _by_statsmodels(Y, **variables):
    """Four criteria of the last variable given the others, by statsmodels MANOVA."""
    columns = [f"y{j}" for j in range(Y.shape[1])]
    frame = pd.DataFrame(Y, columns=columns).assign(**variables)
    model = MANOVA.from_formula(f"{'+'.join(columns)} ~ {'+'.join(variables)}", frame)
    last = list(variables)[-1]
    return model.mv_test().results[last]["stat"].loc[ROWS, "Value"].to_numpy(float)


def _within(scores, y):
    """Pooled covariance within groups, on n - G degrees of freedom."""
    groups = np.unique(y)
    products = [np.cov(scores[y == g], rowvar=False) * ((y == g).sum() - 1) for g in groups]
    return sum(products) / (len(y) - len(groups))


@pytest.mark.parametrize("data_set", ["iris", "skulls", "crabs"])
def test_canonical_axes_as_scikit_learn(data_set, request):
    """LinearDiscriminantAnalysis of scikit-learn, solver 'svd': scores and shares of axes.

    Ours have unit variance within groups on n - G degrees of freedom; theirs on n or n - G,
    which changed between versions, so they are brought to ours first. Then scores agree up to
    sign.
    """
    X, y, *more = request.getfixturevalue(data_set)
    if more:
        y = np.char.add(y, more[0])
    ours = CanonicalAxes().fit(X, y)
    theirs = LinearDiscriminantAnalysis(solver="svd").fit(X, y)
    np.testing.assert_allclose(
        ours.share_between_taxa_, theirs.explained_variance_ratio_, atol=1e-10
    )
    a, b = ours.transform(X), theirs.transform(X)
    np.testing.assert_allclose(_within(a, y), np.eye(a.shape[1]), atol=1e-9)
    b /= np.sqrt(np.diag(_within(b, y)))
    # each puts the origin at its own mean
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    np.testing.assert_allclose(a, b * np.sign((a * b).sum(axis=0)), atol=1e-7)


def test_iris_criteria_in_print(iris):
    """Fisher's irises: four criteria and the eigenvalues.

    Wilks 0.02343863, Pillai 1.19189883, Hotelling-Lawley 32.47732024, Roy 32.19192920, as
    printed by several statistics packages' manuals and textbooks; eigenvalues 32.1919 and
    0.2854 with 99.12 % of the trace on the first axis. Digits from memory. The data are those
    of the 1936 paper, not the copy with two wrong flowers.
    """
    X, y = iris
    table = group_tests(X, ["species"], {"species": y}, permutations=99, random_state=1)
    np.testing.assert_allclose(
        table["value"], [0.02343863, 1.19189883, 32.47732024, 32.19192920], atol=6e-9
    )
    assert (table["p_value"] == 0.01).all()
    axes = CanonicalAxes().fit(X, y)
    np.testing.assert_allclose(axes.ratios_, [32.1919, 0.2854], atol=5e-5)
    assert axes.share_between_taxa_[0] == pytest.approx(0.9912, abs=5e-5)


def test_criteria_as_statsmodels(iris):
    """MANOVA of statsmodels: one factor, and a factor after a covariate."""
    X, y = iris
    one = group_tests(X, ["species"], {"species": y}, permutations=0)
    np.testing.assert_allclose(one["value"], _by_statsmodels(X, species=y), rtol=1e-8)
    after = group_tests(
        X[:, :3], ["petal", "species"], {"petal": X[:, 3], "species": y}, permutations=0
    )
    np.testing.assert_allclose(
        after["value"], _by_statsmodels(X[:, :3], petal=X[:, 3], species=y), rtol=1e-8
    )
    assert one["p_value"].isna().all()


def test_iris_confusions_in_print(iris):
    """Linear discriminants put 147 of 150 irises right: 2 versicolor and 1 virginica go wrong.

    Standard textbook result, from memory.
    """
    X, y = iris
    known = KnownTaxa(X, y, axes=np.eye(4))
    chosen = known.taxa[known.hold(X).posterior.argmax(axis=1)]
    wrong = pd.Series(y[chosen != y]).value_counts()
    assert wrong.to_dict() == {"versicolor": 2, "virginica": 1}
    theirs = LinearDiscriminantAnalysis(solver="svd", priors=np.full(3, 1 / 3)).fit(X, y)
    np.testing.assert_array_equal(chosen, theirs.predict(X))


def test_posterior_of_the_classifier_by_normal_densities(iris):
    """Unequal groups, equal priors: densities of scipy with the pooled covariance.

    And shrunken by LedoitWolf of scikit-learn on residuals, up to the denominator n - G.
    """
    X, y = iris[0][:120], iris[1][:120]
    groups, means = np.unique(y), []
    residuals = X.copy()
    for group in groups:
        means.append(X[y == group].mean(axis=0))
        residuals[y == group] -= means[-1]
    shrunken = LedoitWolf(assume_centered=True).fit(residuals).covariance_ * 120 / 117
    for rule, covariance in (("pooled", _within(X, y)), ("shrunken", shrunken)):
        density = np.column_stack(
            [stats.multivariate_normal(mean, covariance).pdf(X) for mean in means]
        )
        posterior = density / density.sum(axis=1, keepdims=True)
        ours = NearestTaxon(covariance=rule).fit(X, y)
        np.testing.assert_allclose(ours.predict_proba(X), posterior, atol=1e-10)


def _independent_chain(X, y, query, n_axes):
    """Superimpose, project, reduce and classify with other libraries than ours."""

    def standard(A):
        A = A - A.mean(axis=1, keepdims=True)
        return A / np.linalg.norm(A, axis=(1, 2), keepdims=True)

    aligned, _ = generalized(list(standard(X)), tol=1e-30, n_iter=3000)
    aligned = np.array(aligned)
    mean = aligned.mean(axis=0)
    mean /= np.linalg.norm(mean)
    q = standard(query)
    U, _, Vt = np.linalg.svd(q.transpose(0, 2, 1) @ mean)
    U[np.linalg.det(U @ Vt) < 0, :, -1] *= -1
    q = q @ (U @ Vt)
    square = np.eye(mean.size) - np.outer(mean.ravel(), mean.ravel())
    Y, Q = (A.reshape(len(A), -1) @ square for A in (aligned, q))
    pca = PCA(n_components=n_axes, svd_solver="full").fit(Y)
    groups = np.unique(y)
    lda = LinearDiscriminantAnalysis(solver="svd", priors=np.full(len(groups), 1 / len(groups)))
    lda.fit(pca.transform(Y), y)
    return lda.predict(pca.transform(Q)), pca.transform(Q)


def test_left_out_shapes_by_an_independent_chain(nerves):
    """Each left out in turn, all steps redone by qc-procrustes, numpy and scikit-learn.

    The groups have equal priors and one pooled covariance matrix, also in the folds, where one
    has 10 specimens and the other 11.
    """
    X, eye, _ = nerves
    model = ShapeDiscriminant(axes="share", share=0.9, most=4)
    ours = cross_validate(model, X, eye)
    expected = []
    for i in range(len(X)):
        rest = np.arange(len(X)) != i
        predicted, scores = _independent_chain(X[rest], eye[rest], X[i : i + 1], ours.n_axes[i])
        expected.append(predicted[0])
        part = ShapeDiscriminant(axes="share", share=0.9, most=4).fit(X[rest], eye[rest])
        np.testing.assert_allclose(np.abs(part.scores(X[i : i + 1])), np.abs(scores), atol=1e-7)
    assert ours.predicted.tolist() == expected


def test_classes_with_unequal_groups_share_the_pooled_covariance(draw_bones):
    """Equal priors must not weigh the covariances of small and large groups alike.

    The pooled covariance weighs each group by its degrees of freedom (Mardia, Kent & Bibby
    1979), and the class is the one with the nearest mean in its metric.
    """
    rng = np.random.default_rng(44)
    X = draw_bones(rng, 60, k=5, spread=0.12)
    y = np.repeat(["many", "few"], [50, 10])
    X[50:, 0] += 0.6 * rng.normal(size=(10, 3)) * centroid_size(X[50:])[:, None]
    model = ShapeDiscriminant(axes="share", share=0.9, most=5).fit(X, y)
    scores = model.scores(X)
    inverse = np.linalg.inv(_within(scores, y))
    groups = np.unique(y)
    away = np.stack([scores - scores[y == g].mean(axis=0) for g in groups], axis=1)
    squared = np.einsum("ngi,ij,ngj->ng", away, inverse, away)
    expected = groups[squared.argmin(axis=1)]
    np.testing.assert_array_equal(model.classifier_.predict(scores), expected)
