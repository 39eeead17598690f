"""Superimposition: refusals, poor data, the estimator's contract."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.exceptions import NotFittedError
from sklearn.pipeline import make_pipeline

from morpho.inference.models.ordination import ShapeSpace
from morpho.shape.checks import ShapeError
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size, procrustes_distance
from morpho.shape.symmetry.sides import mirror
from morpho.shape.tangent import TangentSpace


def by_svd(X, passes, mean=None):
    """The iteration of the docstring with no shortcut: a slow, obvious version."""
    Z = [(x - x.mean(axis=0)) / np.linalg.norm(x - x.mean(axis=0)) for x in X]

    def onto(z, mean):
        U, _, Vt = np.linalg.svd(z.T @ mean)
        S = np.eye(len(Vt))
        S[-1, -1] = np.sign(np.linalg.det(U @ Vt))
        return z @ U @ S @ Vt

    mean = Z[0]
    for _ in range(passes):
        mean = sum(onto(z, mean) for z in Z)
        mean = mean / np.linalg.norm(mean)
    return np.array([onto(z, mean) for z in Z]), mean


@pytest.mark.parametrize("d", [2, 3])
def test_against_the_obvious_version(make_bones, d):
    X = make_bones(n=150, k=9, d=d)  # more than one block
    model = GeneralizedProcrustes()
    aligned = model.fit_transform(X)
    other, mean = by_svd(X, model.n_iterations_)
    frame = np.linalg.lstsq(mean, model.mean_, rcond=None)[0]
    assert np.linalg.det(frame) == pytest.approx(1)
    np.testing.assert_allclose(aligned, other @ frame, atol=1e-12)


@pytest.mark.parametrize("d", [2, 3])
def test_what_a_superimposition_is(make_bones, d):
    X = make_bones(d=d)
    model = GeneralizedProcrustes()
    aligned = model.fit_transform(X)
    assert model.converged_
    assert model.change_ < model.tolerance
    np.testing.assert_allclose(aligned.mean(axis=1), 0, atol=1e-14)
    np.testing.assert_allclose(centroid_size(aligned), 1, atol=1e-14)
    average = aligned.mean(axis=0)
    np.testing.assert_allclose(model.mean_, average / np.linalg.norm(average), atol=1e-9)
    # turned to its principal axes
    products = model.mean_.T @ model.mean_
    np.testing.assert_allclose(products, np.diag(np.diag(products)), atol=1e-12)
    assert (np.diff(np.diag(products)) <= 0).all()


def test_bones_are_turned_and_never_mirrored(make_bones):
    """The volume of four landmarks keeps its sign, for bones and for their mirror images."""
    X = make_bones()
    both = np.concatenate([X, mirror(X[:3])])
    aligned = GeneralizedProcrustes().fit_transform(both)

    def handedness(configurations):
        return np.sign(np.linalg.det(configurations[:, 1:4] - configurations[:, :1]))

    np.testing.assert_array_equal(handedness(aligned), handedness(both))


def test_a_mirrored_left_half_lies_exactly_on_the_right(make_bones, turn):
    right = make_bones(n=6)
    left = mirror(right) @ turn * 3 + 7
    model = GeneralizedProcrustes().fit(right)
    np.testing.assert_allclose(model.transform(mirror(left)), model.transform(right), atol=1e-12)
    # and without mirroring it does not
    assert np.abs(model.transform(left) - model.transform(right)).max() > 0.05


def test_fit_transform_is_fit_then_transform(make_bones):
    X = make_bones()
    together = GeneralizedProcrustes().fit_transform(X)
    np.testing.assert_array_equal(together, GeneralizedProcrustes().fit(X).transform(X))


def test_queries_never_move_the_mean(make_bones):
    X, query = make_bones(), make_bones(n=1, seed=9)
    model = GeneralizedProcrustes().fit(X)
    before, placed = model.mean_.copy(), model.transform(X)
    model.transform(query)
    np.testing.assert_array_equal(model.mean_, before)
    np.testing.assert_array_equal(model.transform(X), placed)
    # a query is placed alike whether it comes alone or among others
    among = model.transform(np.concatenate([X, query]))[-1]
    np.testing.assert_allclose(model.transform(query)[0], among, atol=1e-14)


def test_the_bones_given_are_not_changed(make_bones):
    X = make_bones()
    before = X.copy()
    GeneralizedProcrustes().fit_transform(X)
    np.testing.assert_array_equal(X, before)


def test_one_specimen_is_its_own_mean(make_bones):
    model = GeneralizedProcrustes()
    aligned = model.fit_transform(make_bones(n=1))
    np.testing.assert_allclose(aligned[0], model.mean_, atol=1e-12)
    assert model.n_iterations_ == 1


def test_identical_specimens_in_different_poses_coincide(make_bones):
    aligned = GeneralizedProcrustes().fit_transform(make_bones(spread=0))
    np.testing.assert_allclose(aligned, aligned[:1].repeat(len(aligned), axis=0), atol=1e-12)


def test_landmarks_on_a_line(turn):
    """The turn about the line is open, but the shapes still come to lie on one another."""
    line = np.outer([0.0, 1.0, 3.0, 7.0], [1.0, 2.0, -1.0])
    X = np.stack([line, line @ turn, 2 * line + 1])
    aligned = GeneralizedProcrustes().fit_transform(X)
    np.testing.assert_allclose(aligned, aligned[:1].repeat(3, axis=0), atol=1e-7)


def test_flat_bones_in_space(turn):
    rng = np.random.default_rng(0)
    flat = np.zeros((5, 6, 3))
    flat[..., :2] = rng.normal(size=(6, 2)) + 0.02 * rng.normal(size=(5, 6, 2))
    model = GeneralizedProcrustes()
    aligned = model.fit_transform(flat @ turn)
    assert model.converged_
    np.testing.assert_allclose(aligned[..., 2], 0, atol=1e-7)


def test_a_landmark_that_never_varies():
    rng = np.random.default_rng(1)
    X = rng.normal(size=(6, 3)) + 0.05 * rng.normal(size=(10, 6, 3))
    X[:, 2] = [0.3, 0.1, -0.2]
    assert np.isfinite(GeneralizedProcrustes().fit_transform(X)).all()


def test_too_few_iterations_are_told(make_bones):
    model = GeneralizedProcrustes(max_iterations=1).fit(make_bones(spread=0.3))
    assert not model.converged_
    assert model.n_iterations_ == 1
    assert model.change_ > model.tolerance


def test_no_iterations_are_refused(make_bones):
    with pytest.raises(ValueError, match="`max_iterations` must be 1 or more, but is 0"):
        GeneralizedProcrustes(max_iterations=0).fit(make_bones())


def test_other_landmarks_or_dimensions_are_refused(make_bones):
    model = GeneralizedProcrustes().fit(make_bones(k=7))
    with pytest.raises(ShapeError, match="must have 7 landmarks, but has 6"):
        model.transform(make_bones(k=6))
    with pytest.raises(ShapeError, match="must have 3 dimensions, but has 2"):
        model.transform(make_bones(k=7, d=2))


@pytest.mark.parametrize("method", ["fit", "fit_transform"])
def test_missing_landmarks_are_refused(make_bones, method):
    X = make_bones()
    X[3, 1] = np.nan
    with pytest.raises(ShapeError, match=r"missing or infinite coordinates in specimens \[3\]"):
        getattr(GeneralizedProcrustes(), method)(X)


def test_transform_before_fit(make_bones):
    with pytest.raises(NotFittedError, match="not fitted yet"):
        GeneralizedProcrustes().transform(make_bones())


def test_clone_and_parameters(make_bones):
    model = GeneralizedProcrustes(tolerance=1e-5, max_iterations=7).fit(make_bones())
    copy = clone(model)
    assert copy.get_params() == {"tolerance": 1e-5, "max_iterations": 7}
    assert not hasattr(copy, "mean_")


def test_a_pipeline_from_bones_to_taxa(make_bones):
    """Two taxa that differ in shape only, each specimen in its own pose."""
    first, second = make_bones(n=15, spread=0.01), make_bones(n=15, spread=0.01)
    second = second.copy()
    second[:, 0] += 0.5 * (second[:, 1] - second[:, 0])
    X, y = np.concatenate([first, second]), np.repeat(["a", "b"], 15)
    chain = make_pipeline(
        GeneralizedProcrustes(),
        TangentSpace(),
        ShapeSpace(axes="share", share=0.8),
        LinearDiscriminantAnalysis(solver="lsqr", shrinkage="auto"),
    )
    learn = np.arange(30) % 3 > 0
    chain = clone(chain).fit(X[learn], y[learn])
    assert chain.score(X[~learn], y[~learn]) == 1
    assert chain.get_params()["shapespace__share"] == 0.8


def test_centroid_size_of_known_figures():
    square = np.array([[0, 0], [2, 0], [2, 2], [0, 2]], dtype=float)
    # four corners, each at distance sqrt(2) from the centre
    np.testing.assert_allclose(centroid_size([square, 3 * square - 5]), [8**0.5, 3 * 8**0.5])


def test_centroid_size_refuses_poor_bones():
    with pytest.raises(ShapeError, match="all landmarks at one place"):
        centroid_size(np.ones((1, 4, 3)))


def test_distances_are_one_angle_three_ways(make_bones):
    A, B = make_bones(seed=1), make_bones(seed=2)
    angle = procrustes_distance(A, B)
    np.testing.assert_allclose(procrustes_distance(A, B, kind="partial"), 2 * np.sin(angle / 2))
    np.testing.assert_allclose(procrustes_distance(A, B, kind="full"), np.sin(angle))
    np.testing.assert_allclose(angle, procrustes_distance(B, A), atol=1e-12)


def test_distance_of_a_bone_from_itself_in_another_pose_is_zero(make_bones, turn):
    A = make_bones()
    np.testing.assert_allclose(procrustes_distance(A, 4 * A @ turn - 3), 0, atol=1e-12)


def test_distances_to_a_single_bone(make_bones):
    A = make_bones()
    alone = [procrustes_distance(a[None], A[:1])[0] for a in A]
    np.testing.assert_allclose(procrustes_distance(A, A[:1]), alone, atol=1e-12)
    np.testing.assert_allclose(procrustes_distance(A[:1], A), alone, atol=1e-12)


def test_distance_refusals(make_bones):
    A = make_bones()
    with pytest.raises(ValueError, match="`kind` must be 'angle', 'partial' or 'full', but is 'x'"):
        procrustes_distance(A, A, kind="x")
    with pytest.raises(ShapeError, match="`B` must have 7 landmarks, but has 5"):
        procrustes_distance(A, make_bones(k=5))
    with pytest.raises(ShapeError, match="`B` must have 3 dimensions, but has 2"):
        procrustes_distance(A, make_bones(d=2))
    with pytest.raises(ShapeError, match="compared one by one, but hold 12 and 3 specimens"):
        procrustes_distance(A, A[:3])
    with pytest.raises(ShapeError, match="`A` has all landmarks at one place"):
        procrustes_distance(np.zeros((1, 7, 3)), A)
