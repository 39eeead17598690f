"""Disparity: against textbook formulas and a general-purpose library, known truth, refusals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.distance import pdist, squareform
from scipy.stats import binom, f_oneway
from skbio import DistanceMatrix
from skbio.stats.distance import permdisp

from morpho.inference.models.design import InferenceError
from morpho.inference.taxa.disparity import disparity


def invented(rng, counts, spreads, variables=6):
    """Shapes and labels of taxa with means of their own."""
    labels = np.repeat([f"taxon {i}" for i in range(len(counts))], counts)
    spread = np.repeat(spreads, counts)[:, None]
    means = np.repeat(rng.normal(size=(len(counts), variables)), counts, axis=0)
    return means + spread * rng.normal(size=(len(labels), variables)), labels


def test_the_variance_is_the_trace_of_the_covariance_within(rng):
    """Numpy's covariance with n - 1 below."""
    Y, labels = invented(rng, [5, 9, 4], [1, 2, 1])
    table = disparity(Y, labels, permutations=0).set_index("taxon")
    for taxon in table.index:
        expected = np.trace(np.cov(Y[labels == taxon].T))
        assert table.loc[taxon, "procrustes_variance"] == pytest.approx(expected)
    assert table["specimens"].tolist() == [5, 9, 4]
    assert table["p_value"].isna().all()


def test_times_that_of_others_in_a_case_by_hand():
    """Squared distances 2 and 8 from means of pairs: variances 2 and 8, a quarter and four."""
    Y = np.array([[0.0, 0], [2, 0], [10, 0], [10, 4]])
    table = disparity(Y, ["a", "a", "b", "b"], permutations=0)
    assert table["procrustes_variance"].tolist() == pytest.approx([2, 8])
    assert table["times_that_of_others"].tolist() == pytest.approx([0.25, 4])


def test_the_statistic_is_that_of_a_library(rng):
    """scikit-bio's test of homogeneous dispersions (Anderson 2006), centroids, equal counts."""
    Y, labels = invented(rng, [8, 8], [1, 1.6])
    matrix = DistanceMatrix(squareform(pdist(Y)))
    theirs = permdisp(matrix, labels, test="centroid", permutations=1999, seed=1, dimensions=6,
                      warn_neg_eigval=False)  # fmt: skip
    ours = disparity(Y, labels, permutations=1999, random_state=1)
    centred = np.concatenate([Y[labels == t] - Y[labels == t].mean(axis=0) for t in set(labels)])
    distance = np.linalg.norm(centred, axis=1)
    assert f_oneway(distance[:8], distance[8:]).statistic == pytest.approx(
        theirs["test statistic"], rel=1e-6
    )
    # p-values of two sets of orders: four standard errors apart at the most
    p = theirs["p-value"]
    assert abs(ours["p_value"].iloc[0] - p) < 4 * np.sqrt(2 * p * (1 - p) / 2000) + 1e-3
    assert ours["p_value"].iloc[0] == ours["p_value"].iloc[1]


def test_with_a_covariate_it_is_the_residual_variance_by_leverage(rng):
    """A least-squares fit by numpy, residuals by 1 - h."""
    Y, labels = invented(rng, [6, 7], [1, 1])
    size = rng.normal(size=13)
    Y = Y + np.outer(size, np.ones(6))
    X = np.column_stack([labels == "taxon 0", labels == "taxon 1", size]).astype(float)
    rest = Y - X @ np.linalg.lstsq(X, Y, rcond=None)[0]
    hat = np.diag(X @ np.linalg.pinv(X))
    squares = (rest**2).sum(axis=1) / (1 - hat)
    table = disparity(Y, labels, covariates={"size": size}, permutations=0)
    expected = [squares[labels == t].mean() for t in ("taxon 0", "taxon 1")]
    assert table["procrustes_variance"].tolist() == pytest.approx(expected)


def rejected(rng, studies, counts, spreads):
    """How often taxon 0 is told to spread otherwise than the rest, at 0.05."""
    p = [
        disparity(*invented(rng, counts, spreads), permutations=99, random_state=rng)["p_value"][0]
        for _ in range(studies)
    ]
    return int((np.array(p) <= 0.05).sum())


def test_its_level_and_its_power():
    """Known truth: alike, small and large taxa, 5 % within the binomial; twice as wide, found."""
    rng = np.random.default_rng(14)
    assert rejected(rng, 300, [5, 15, 10], [1, 1, 1]) <= binom.ppf(0.999, 300, 0.05)
    assert rejected(rng, 60, [10, 15, 15], [2, 1, 1]) >= 50


def test_other_orders_names_and_scales_change_nothing(rng):
    Y, labels = invented(rng, [5, 6, 7], [1, 1, 2])
    order = rng.permutation(18)
    first = disparity(Y, labels, permutations=0)
    again = disparity(3 * Y[order] + 1, labels[order], permutations=0)
    pd.testing.assert_frame_equal(
        again.assign(procrustes_variance=again["procrustes_variance"] / 9), first
    )


def test_what_cannot_be_told():
    Y = np.arange(12.0).reshape(4, 3) ** 2
    with pytest.raises(InferenceError, match="spread of one specimen is not known: b"):
        disparity(Y, ["a", "a", "a", "b"])
    with pytest.raises(InferenceError, match="leave no variation"):
        disparity(Y, ["a", "a", "b", "b"], covariates={"size": [1.0, 1, 1, 2]}, permutations=9)
    one = disparity(Y, ["a"] * 4, permutations=9)
    assert one["p_value"].isna().all()
    assert one["times_that_of_others"].isna().all()
    still = disparity(np.repeat([[0.0, 1], [2, 3]], 3, axis=0), list("aaabbb"), permutations=9)
    assert still["p_value"].isna().all()
    assert still["procrustes_variance"].tolist() == [0, 0]
