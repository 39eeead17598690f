"""Principal components against scikit-learn; rules for their number against print and truth."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from sklearn.decomposition import PCA

from morpho.inference.models.ordination import ShapeSpace, broken_stick, parallel_analysis


@pytest.mark.parametrize("data_set", ["iris", "skulls", "wide"])
def test_same_axes_as_scikit_learn(data_set, request):
    """sklearn.decomposition.PCA, exact solver: variances, axes up to sign, scores."""
    if data_set == "wide":
        rng = np.random.default_rng(1)
        X = rng.normal(size=(12, 40)) * np.linspace(1, 3, 40)
    else:
        X = request.getfixturevalue(data_set)[0]
    ours = ShapeSpace(axes="share", share=0.9, most=99).fit(X)
    count = len(ours.variance_)
    assert count == min(len(X) - 1, X.shape[1])
    theirs = PCA(n_components=count, svd_solver="full").fit(X)
    np.testing.assert_allclose(ours.variance_, theirs.explained_variance_, rtol=1e-10)
    np.testing.assert_allclose(
        ours.share_of_variance_, theirs.explained_variance_ratio_, rtol=1e-10
    )
    signs = np.sign((ours.components_ * theirs.components_).sum(axis=1))
    np.testing.assert_allclose(
        ours.components_, signs[:, None] * theirs.components_, atol=1e-8, rtol=0
    )
    np.testing.assert_allclose(ours.transform(X), signs * theirs.transform(X), atol=1e-8)
    np.testing.assert_allclose(ours.inverse_transform(ours.transform(X)), X, atol=1e-10)
    # the number of axes that scikit-learn keeps for the same share
    assert ours.n_axes_ == PCA(n_components=0.9, svd_solver="full").fit(X).n_components_


def test_iris_shares_of_variance(iris):
    """Fisher's irises: 92.46, 5.31, 1.71 and 0.52 % on the four axes of the covariance matrix.

    In many textbooks, typed from memory.
    """
    shares = ShapeSpace(axes="share").fit(iris[0]).share_of_variance_
    np.testing.assert_allclose(100 * shares, [92.46, 5.31, 1.71, 0.52], atol=0.005)


@pytest.mark.parametrize(
    ("pieces", "percent"),
    [
        (2, [75, 25]),
        (3, [61.11, 27.78, 11.11]),
        (4, [52.08, 27.08, 14.58, 6.25]),
        (5, [45.67, 25.67, 15.67, 9.00, 4.00]),
        (10, [29.29, 19.29, 14.29, 10.96, 8.46, 6.46, 4.79, 3.36, 2.11, 1.00]),
    ],
)
def test_broken_stick_table(pieces, percent):
    """Table of the broken-stick model in percent.

    Legendre & Legendre (2012), Numerical Ecology, 3rd ed.; Jackson (1993),
    Ecology 74, 2204-2214. The digits are from memory, and confirmed here by exact
    fractions.
    """
    exact = [
        sum(Fraction(1, i) for i in range(j, pieces + 1)) / pieces for j in range(1, pieces + 1)
    ]
    np.testing.assert_allclose(broken_stick(pieces), np.array(exact, dtype=float), rtol=1e-14)
    np.testing.assert_allclose(100 * broken_stick(pieces), percent, atol=0.0051)


def test_broken_stick_by_breaking_sticks():
    """Sticks broken at random places, pieces sorted: their mean lengths."""
    rng = np.random.default_rng(3)
    sticks = 40_000
    breaks = np.sort(rng.uniform(size=(sticks, 7)), axis=1)
    pieces = np.diff(breaks, axis=1, prepend=0, append=1)
    pieces = np.sort(pieces, axis=1)[:, ::-1]
    error = pieces.std(axis=0) / np.sqrt(sticks)
    assert (np.abs(broken_stick(8) - pieces.mean(axis=0)) < 4 * error).all()


def test_broken_stick_rule_by_hand():
    """Jackson (1993): axes are kept as long as their share is above the stick's piece."""
    rng = np.random.default_rng(4)
    noise = rng.normal(size=(40, 6))
    scores = np.linalg.qr(noise - noise.mean(axis=0))[0]
    # shares 0.45, 0.30, 0.13, 0.06, 0.04, 0.02 against 0.41, 0.24, 0.16, 0.10, 0.06, 0.03
    X = scores * np.sqrt([0.45, 0.30, 0.13, 0.06, 0.04, 0.02])
    space = ShapeSpace(axes="broken_stick").fit(X)
    np.testing.assert_allclose(space.share_of_variance_, [0.45, 0.30, 0.13, 0.06, 0.04, 0.02])
    assert space.n_axes_ == 2


@pytest.mark.parametrize(("n", "m", "planted"), [(60, 15, q) for q in (1, 2, 3, 4)] + [(30, 45, 3)])
def test_parallel_analysis_keeps_the_planted_axes(n, m, planted):
    """Horn (1965): as many axes as were planted, for more and for fewer specimens than variables.

    The planted axes are oblique to the variables and spread eight times as wide as the noise.
    (With 20 specimens and 45 variables the rule, as is known of it, tends to miss the last of
    three or four such axes: the first ones fill the permuted data too.)
    """
    rng = np.random.default_rng(10 * planted + n)
    found = []
    for seed in range(20):
        loadings = np.linalg.qr(rng.normal(size=(m, planted)))[0].T
        X = 8 * rng.normal(size=(n, planted)) @ loadings + rng.normal(size=(n, m))
        found.append(ShapeSpace(axes="parallel", random_state=seed).fit(X).n_axes_)
    assert max(found) == planted
    assert np.mean(np.array(found) == planted) >= 0.9


def test_parallel_analysis_on_noise(check_rate):
    """Unrelated variables: the first axis passes in 5 % of samples, and a second hardly ever.

    Buja & Eyuboglu (1992): the permutation form holds the level whatever the distribution of
    each variable; here they are skewed, and spread unequally.
    """
    rng = np.random.default_rng(20)
    passed, kept = [], []
    for seed in range(400):
        X = rng.exponential(size=(15, 6)) * [1, 2, 3, 1, 2, 3]
        space = ShapeSpace(axes="parallel", random_state=seed).fit(X)
        passed.append(space.share_of_variance_[0] > space.threshold_[0])
        kept.append(space.n_axes_)
    check_rate(passed, 0.05, what="first axis of noise")
    assert np.mean(np.array(kept) == 1) > 0.97


def test_parallel_thresholds_by_a_naive_loop():
    """Buja & Eyuboglu (1992), by shuffling columns one by one: same quantiles, within error."""
    rng = np.random.default_rng(30)
    X = rng.normal(size=(20, 5)) * [3, 2, 1, 1, 1]
    loop = []
    for _ in range(4000):
        shuffled = np.column_stack([rng.permutation(column) for column in X.T])
        loop.append(np.linalg.eigvalsh(np.cov(shuffled, rowvar=False))[::-1])
    ours = parallel_analysis(X, repeats=4000, random_state=1)
    np.testing.assert_allclose(ours, np.quantile(loop, 0.95, axis=0), rtol=0.03)
