"""Optical nerve heads, real landmarks in 3D, through the whole chain; each step checked outside.

Data as told in conftest.py: 22 eyes of 11 monkeys, one eye normal, the other with glaucoma.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from scipy.spatial import procrustes
from scipy.spatial.distance import pdist, squareform
from scipy.spatial.transform import Rotation
from skbio.stats.distance import DistanceMatrix, permanova
from sklearn.decomposition import PCA
from statsmodels.multivariate.manova import MANOVA
from threadpoolctl import threadpool_limits

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.allometry import CommonSlope
from morpho.inference.models.linear_model import term_tests
from morpho.inference.models.ordination import ShapeSpace
from morpho.inference.taxa.groups import compare_means, group_tests
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.tangent import TangentSpace


@pytest.fixture(scope="module")
def study(nerves):
    X, eye, monkey = nerves
    model = GeneralizedProcrustes().fit(X)
    aligned = model.transform(X)
    Y = TangentSpace(pole=model.mean_).fit(aligned).transform(aligned)
    return {
        "X": X,
        "eye": eye,
        "monkey": monkey,
        "mean": model.mean_,
        "aligned": aligned,
        "Y": Y,
        "size": np.log(centroid_size(X)),
    }


def test_sizes(study):
    """Centroid size through scipy's distances between landmarks: k CS^2 = sum of squares."""
    squares = [(pdist(x) ** 2).sum() / 5 for x in study["X"]]
    np.testing.assert_allclose(np.exp(2 * study["size"]), squares, rtol=1e-12)


def test_superimposed_as_scipy_fits_each_to_the_mean(study):
    """Rotation.align_vectors of scipy turns each onto the mean in the same way."""
    for x, aligned in zip(study["X"], study["aligned"], strict=True):
        x = x - x.mean(axis=0)
        x /= np.linalg.norm(x)
        turn, _ = Rotation.align_vectors(study["mean"], x)
        np.testing.assert_allclose(turn.apply(x), aligned, atol=1e-7)


def test_tangent_lengths_are_distances_to_the_mean(study):
    """Orthogonal projection: length sin(rho), whose square is scipy's disparity.

    Dryden & Mardia (2016). Also, tangent vectors are square to the mean, hold
    no translation, and span 5 x 3 - 7 = 8 dimensions.
    """
    Y = study["Y"]
    disparity = [procrustes(study["mean"], x)[2] for x in study["X"]]
    np.testing.assert_allclose((Y**2).sum(axis=1), disparity, atol=1e-12)
    np.testing.assert_allclose(Y @ study["mean"].ravel(), 0, atol=1e-14)
    np.testing.assert_allclose(Y.reshape(-1, 5, 3).sum(axis=1), 0, atol=1e-14)
    space = ShapeSpace(axes="share").fit(Y)
    # rotations are taken out to first order only: the axes beyond 8 hold next to nothing
    assert space.share_of_variance_[8:].sum() < 1e-3


def test_principal_components(study):
    """sklearn.decomposition.PCA on the tangent coordinates."""
    ours = ShapeSpace(axes="share", share=0.95).fit(study["Y"])
    theirs = PCA(svd_solver="full").fit(study["Y"])
    np.testing.assert_allclose(ours.variance_[:7], theirs.explained_variance_[:7], rtol=1e-9)
    a, b = ours.transform(study["Y"])[:, :5], theirs.transform(study["Y"])[:, :5]
    np.testing.assert_allclose(a, b * np.sign((a * b).sum(axis=0)), atol=1e-10)


def test_size_of_the_two_eyes(study):
    """Scipy's paired t-test: monkey, then eye, has F = t^2 and the same p but for the draws."""
    variables = {"monkey": study["monkey"], "eye": study["eye"]}
    table = term_tests(
        study["size"][:, None],
        ["monkey", "eye"],
        variables,
        permutations=1999,
        random_state=1,
    ).set_index("term")
    normal = study["eye"] == "normal"
    order = np.argsort(study["monkey"], kind="stable")
    first, second = (study["size"][order][side[order]] for side in (normal, ~normal))
    t = stats.ttest_rel(first, second)
    assert table.f_ratio["eye"] == pytest.approx(t.statistic**2, rel=1e-9)
    assert table.p_value["eye"] == pytest.approx(t.pvalue, abs=0.06)


def test_shape_of_the_two_eyes(study):
    """scikit-bio `permanova` on tangent distances; MANOVA of statsmodels on four axes."""
    Y, eye, monkey = study["Y"], study["eye"], study["monkey"]
    D = DistanceMatrix(squareform(pdist(Y)))
    with threadpool_limits(1):
        theirs = permanova(D, eye.tolist(), permutations=1999, seed=1)
    ours = term_tests(Y, ["eye"], {"eye": eye}, permutations=1999, random_state=2)
    assert ours["f_ratio"][0] == pytest.approx(theirs["test statistic"], rel=1e-9)
    p = theirs["p-value"]
    assert ours["p_value"][0] == pytest.approx(p, abs=4 * np.sqrt(2 * p * (1 - p) / 1999))
    distance = compare_means(Y, eye, permutations=0)["distance"][0]
    normal = Y[eye == "normal"].mean(axis=0)
    assert distance == pytest.approx(np.linalg.norm(normal - Y[eye != "normal"].mean(axis=0)))

    scores = ShapeSpace(axes="share").fit(Y).transform(Y)[:, :4]
    frame = pd.DataFrame(scores, columns=list("abcd")).assign(eye=eye, monkey=monkey)
    test = MANOVA.from_formula("a + b + c + d ~ monkey + eye", frame).mv_test()
    criteria = test.results["eye"]["stat"]["Value"].astype(float)
    table = group_tests(scores, ["monkey", "eye"], {"monkey": monkey, "eye": eye}, permutations=0)
    np.testing.assert_allclose(table["value"], criteria, rtol=1e-8)


def test_shape_on_size(study):
    """OLS of statsmodels with a column for each eye: the common slope of each coordinate."""
    X = np.column_stack([study["eye"] == "normal", study["eye"] != "normal", study["size"]])
    slopes = [sm.OLS(y, X.astype(float)).fit().params[-1] for y in study["Y"].T]
    ours = CommonSlope().fit(study["Y"], study["size"], study["eye"])
    np.testing.assert_allclose(ours.slope_, slopes, atol=1e-12)


def test_each_eye_left_out(study, check_rate):
    """Each eye against its own kind at its own size, from a frame it has not seen.

    Posterior probabilities on three axes are those of normal densities by scipy about growth
    lines, with the covariance of residuals by statsmodels; by the verdict's own rule no more
    are outside than the exact binomial allows.
    """
    X, eye, size = study["X"], study["eye"], study["size"]
    outside = []
    for i in range(len(X)):
        rest = np.arange(len(X)) != i
        model = GeneralizedProcrustes().fit(X[rest])
        space = TangentSpace(pole=model.mean_).fit(model.transform(X[rest]))
        known, query = (space.transform(model.transform(A)) for A in (X[rest], X[i : i + 1]))
        axes = ShapeSpace(axes="share").fit(known)
        components = axes.components_[:3].T
        held = KnownTaxa(known, eye[rest], size[rest], axes=components).hold(query, size[[i]])
        a, b = known @ components, query @ components
        slope = CommonSlope().fit(a, size[rest], eye[rest])
        frame = pd.DataFrame(a, columns=list("abc")).assign(eye=eye[rest], size=size[rest])
        residuals = np.column_stack(
            [sm.OLS.from_formula(f"{y} ~ eye + size", frame).fit().resid for y in "abc"]
        )
        covariance = residuals.T @ residuals / 18
        density = [
            stats.multivariate_normal(slope.predict(size[i], kind)[0], covariance).pdf(b[0])
            for kind in np.unique(eye)
        ]
        np.testing.assert_allclose(held.posterior[0], np.array(density) / sum(density), atol=1e-9)
        shapes = Shapes(known, size[rest], eye[rest]), Shapes(query, size[[i]], eye[[i]])
        found = judge(*shapes, Rules(0.05, 5, None, 1))
        outside.append(found.verdicts[0].verdict == "outside")
    check_rate(outside, 0.05, conservative=True, what="told outside")
