"""Sliding: what it must keep, what it must lower, who has a say, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.shape.checks import ShapeError
from morpho.shape.semilandmarks.curves import curve_tangents, project_to_polyline
from morpho.shape.semilandmarks.sliding import slide
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.thin_plate import bending_energy_matrix

CRITERIA = pytest.mark.parametrize("criterion", ["bending_energy", "procrustes"])

# Six landmarks, two curves of six points each and eight surface points.
CURVES = [np.r_[0, 6:12, 1], np.r_[2, 12:18, 3]]
SURFACE = np.arange(18, 26)
HOME = np.random.default_rng(3).normal(size=(26, 3))
HOME[CURVES[0]] = np.linspace([-3, -1, 0], [3, -1, 0], 8) + [[0, 0, z] for z in np.hanning(8)]
HOME[CURVES[1]] = np.linspace([-3, 2, 0], [2, 2, 1], 8) + [[0, y, 0] for y in np.hanning(8)]


@pytest.fixture
def bones():
    """Specimens in any pose and size, whose semilandmarks are off along their tangents."""

    def make(n=8, seed=0):
        rng = np.random.default_rng(seed)
        normals = np.random.default_rng(4).normal(size=(len(SURFACE), 3))
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        X = HOME + 0.05 * rng.normal(size=(n, 26, 3))
        for curve in CURVES:
            steps = 0.15 * rng.uniform(-1, 1, size=(n, len(curve) - 2, 1))
            X[:, curve[1:-1]] += steps * curve_tangents(X[:, curve])
        away = 0.1 * rng.normal(size=(n, len(SURFACE), 3))
        X[:, SURFACE] += away - (away * normals).sum(axis=2, keepdims=True) * normals
        turns = Rotation.random(n, random_state=seed).as_matrix()
        sizes = rng.uniform(5, 20, size=(n, 1, 1))
        return sizes * (X @ turns) + rng.normal(scale=50, size=(n, 1, 3)), normals @ turns

    return make


@CRITERIA
def test_only_semilandmarks_move_and_only_in_their_tangents(bones, criterion):
    X, normals = bones()
    result = slide(
        X, curves=CURVES, surfaces=SURFACE, normals=normals, criterion=criterion, max_passes=1
    )
    moved = result.coordinates - X
    np.testing.assert_array_equal(moved[:, :6], 0)
    for curve in CURVES:
        across = np.cross(moved[:, curve[1:-1]], curve_tangents(X[:, curve]))
        np.testing.assert_allclose(across, 0, atol=1e-10)
    np.testing.assert_allclose((moved[:, SURFACE] * normals).sum(axis=2), 0, atol=1e-10)
    assert (np.abs(moved[:, 6:]).max(axis=2) > 0).all()


@CRITERIA
def test_energy_falls_and_sliding_ends(bones, criterion):
    X, normals = bones()
    before = X.copy()
    result = slide(
        X, curves=CURVES, surfaces=SURFACE, normals=normals, criterion=criterion, tolerance=1e-6,
        max_passes=200,
    )  # fmt: skip
    np.testing.assert_array_equal(X, before)
    assert result.converged
    assert result.passes == len(result.changes) == len(result.energy) - 1
    assert result.changes[-1] < 1e-6
    assert result.energy[1] < result.energy[0]
    assert result.energy[-1] < 0.8 * result.energy[0]


def test_reported_energy_and_change_are_those_of_the_coordinates(bones):
    X, normals = bones()
    task = {"curves": CURVES, "surfaces": SURFACE, "normals": normals, "tolerance": 1e-12}
    result = slide(X, max_passes=2, **task)
    assert not result.converged
    for coordinates, energy in ((X, result.energy[0]), (result.coordinates, result.energy[2])):
        aligned = GeneralizedProcrustes()
        B = bending_energy_matrix(aligned.fit(coordinates).mean_)
        expected = [np.trace(x.T @ B @ x) for x in aligned.transform(coordinates)]
        assert energy == pytest.approx(np.mean(expected))
    moved = result.coordinates - slide(X, max_passes=1, **task).coordinates
    sizes = centroid_size(slide(X, max_passes=1, **task).coordinates)
    change = np.sqrt(np.mean((np.linalg.norm(moved, axis=(1, 2)) / sizes) ** 2))
    assert result.changes[1] == pytest.approx(change)


@CRITERIA
def test_pose_and_size_have_no_effect(bones, turn, criterion):
    X, normals = bones()
    task = {"curves": CURVES, "surfaces": SURFACE, "criterion": criterion, "max_passes": 3}
    plain = slide(X, normals=normals, **task)
    moved = 0.01 * X @ turn + 3
    other = slide(moved, normals=normals @ turn, **task)
    np.testing.assert_allclose(other.coordinates, 0.01 * plain.coordinates @ turn + 3, atol=1e-8)
    np.testing.assert_allclose(other.energy, plain.energy, rtol=1e-6)


def test_normals_may_point_inwards_and_have_any_length(bones):
    X, normals = bones()
    signs = np.random.default_rng(0).choice([-1, 1], size=(*normals.shape[:2], 1))
    task = {"curves": CURVES, "surfaces": SURFACE, "max_passes": 3}
    one, other = slide(X, normals=normals, **task), slide(X, normals=7 * signs * normals, **task)
    np.testing.assert_allclose(other.coordinates, one.coordinates, atol=1e-8)


def test_the_first_step_is_the_formula_with_kronecker_products(bones):
    """Gunz, Mitteroecker & Bookstein (2005): t = -(U' L U)^-1 U' L y, with L = I (x) B.

    With one specimen as reference, nothing is common to the known specimens' steps.
    """
    X, normals = bones(n=2, seed=5)
    B = bending_energy_matrix(GeneralizedProcrustes().fit(X[:1]).mean_)
    x, k = X[1], len(X[1])
    columns = []
    for curve in CURVES:
        columns += list(zip(curve[1:-1], curve_tangents(x[curve]), strict=True))
    for j, normal in zip(SURFACE, normals[1], strict=True):
        columns += [(j, tangent) for tangent in np.linalg.svd(normal[None])[2][1:]]
    U = np.zeros((3 * k, len(columns)))
    for a, (j, tangent) in enumerate(columns):
        U[[j, k + j, 2 * k + j], a] = tangent
    L = np.kron(np.eye(3), B)
    t = -np.linalg.solve(U.T @ L @ U, U.T @ L @ x.T.ravel())
    expected = x + (U @ t).reshape(3, k).T
    result = slide(
        X, curves=CURVES, surfaces=SURFACE, normals=normals, known=[True, False], max_passes=1
    )
    np.testing.assert_allclose(result.coordinates[1], expected, atol=1e-5 * centroid_size(X)[1])
    np.testing.assert_allclose(result.coordinates[0], X[0], atol=1e-9)


@CRITERIA
def test_queries_have_no_say(bones, criterion):
    """Known specimens and other queries come out the same with and without a query."""
    X, normals = bones(n=10)
    X[9, SURFACE] += 2.0 * normals[9]  # an odd one
    known = np.arange(10) < 7
    task = {"curves": CURVES, "surfaces": SURFACE, "criterion": criterion, "max_passes": 100}
    whole = slide(X, normals=normals, known=known, **task)
    fewer = slide(X[:8], normals=normals[:8], known=known[:8], **task)
    alone = slide(X[:7], normals=normals[:7], **task)
    np.testing.assert_array_equal(whole.coordinates[:8], fewer.coordinates)
    np.testing.assert_array_equal(whole.coordinates[:7], alone.coordinates)
    assert whole.converged
    assert np.abs(whole.coordinates[7:] - X[7:]).max() > 0.01


def test_a_query_that_is_a_known_specimen_goes_where_that_one_goes(bones):
    X, normals = bones(n=6)
    result = slide(
        np.concatenate([X, X[2:3]]), normals=np.concatenate([normals, normals[2:3]]),
        curves=CURVES, surfaces=SURFACE, known=np.arange(7) < 6, tolerance=1e-9, max_passes=200,
    )  # fmt: skip
    assert result.converged
    np.testing.assert_allclose(result.coordinates[6], result.coordinates[2], atol=1e-6)


def test_the_spacing_of_the_mean_stays():
    """Without the common part of the steps taken off, the mean would creep for ever."""
    rng = np.random.default_rng(0)
    angle = np.linspace(0, np.pi, 12)
    axes = np.exp(0.2 * rng.normal(size=(10, 1, 2)))
    X = axes * np.column_stack([np.cos(angle), np.sin(angle) * (1 + 0.3 * np.cos(angle))])
    X[:, :, 1] += 0.1 * rng.normal(size=(10, 1)) * X[:, :, 0] ** 2
    result = slide(X, curves=[range(12)], tolerance=1e-9, max_passes=300)
    assert result.converged

    def gaps(coordinates):
        mean = GeneralizedProcrustes().fit(coordinates).mean_
        return np.linalg.norm(np.diff(mean, axis=0), axis=1)

    np.testing.assert_allclose(gaps(result.coordinates), gaps(X), rtol=0.15)


@CRITERIA
def test_points_of_a_curve_never_change_places(criterion):
    """Strongly uneven starts, back onto the polyline after each pass."""
    rng = np.random.default_rng(1)
    fine = np.linspace(0, np.pi, 400)
    lines = [np.column_stack([3 * np.cos(fine), b * np.sin(fine)]) for b in (1, 2, 3, 4)]
    starts = [np.sort(rng.choice(np.arange(1, 399), 14, replace=False)) for _ in lines]
    X = np.array([line[np.r_[0, s, 399]] for line, s in zip(lines, starts, strict=True)])

    def project(i, points):
        assert points.shape == (16, 2)
        return project_to_polyline(points, lines[i])[0], None

    result = slide(X, curves=[range(16)], project=project, criterion=criterion)
    for x, line in zip(result.coordinates, lines, strict=True):
        np.testing.assert_allclose(project_to_polyline(x, line)[1], 0, atol=1e-12)
        angles = np.arctan2(x[:, 1] / line[:, 1].max(), x[:, 0] / 3)
        assert (np.diff(angles) > 0).all()


def test_energy_never_rises_even_where_steps_are_cut():
    """Onto a standing reference (a single known specimen), from starts that overshoot."""
    for seed in range(30):
        rng = np.random.default_rng(seed)
        X = np.repeat(HOME[None], 6, axis=0)
        for curve in CURVES:
            share = np.sort(rng.uniform(size=(6, len(curve) - 2)), axis=1)[..., None]
            X[1:, curve[1:-1]] = (1 - share[1:]) * HOME[curve[0]] + share[1:] * HOME[curve[-1]]
        X[1:] += 0.02 * rng.normal(size=(5, 26, 3))
        result = slide(X, curves=CURVES, known=np.arange(6) == 0, max_passes=1)
        assert result.energy[1] < result.energy[0]


def test_landmarks_returned_by_project_are_not_taken(bones):
    X, normals = bones()

    def project(i, points):
        return points + 1.0, normals[i]

    result = slide(X, curves=CURVES, surfaces=SURFACE, project=project, max_passes=1)
    np.testing.assert_array_equal(result.coordinates[:, :6], X[:, :6])


def test_normals_come_from_project_before_the_first_pass(bones):
    X, normals = bones()
    task = {"curves": CURVES, "surfaces": SURFACE, "max_passes": 2}
    given = slide(X, normals=normals, **task)
    asked = slide(X, project=lambda i, points: (points, normals[i]), **task)
    np.testing.assert_array_equal(asked.coordinates, given.coordinates)


def test_one_specimen_has_nothing_to_slide_to(bones):
    X, normals = bones(n=1)
    result = slide(X, curves=CURVES, surfaces=SURFACE, normals=normals)
    assert result.converged
    np.testing.assert_allclose(result.coordinates, X, atol=1e-9)


def test_a_closed_curve_and_one_that_ends_on_another(bones):
    X, normals = bones()
    closed = [np.r_[0, 6:12, 0], np.r_[8, 12:18, 3]]
    result = slide(X, curves=closed, surfaces=SURFACE, normals=normals)
    assert np.isfinite(result.coordinates).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"criterion": "distance"}, "`criterion` must be 'bending_energy' or 'procrustes'"),
        ({"tolerance": 0}, "`tolerance` must be more than 0"),
        ({"max_passes": 0}, "`max_passes` must be 1 or more"),
        ({"curves": [[0, 1]]}, r"Curve 0 .* has 2 points"),
        ({"curves": [[0, 6, 99]]}, "Curve 0 names point 99, but there are points 0 to 25"),
        ({"curves": [[0, 6.5, 1]]}, "Curve 0 must be a list of whole numbers"),
        ({"curves": [np.r_[0, 6:12, 1], np.r_[2, 8, 3]]}, r"Points \[8\] .* more than one curve"),
        ({"curves": [[0, 6, 6, 1]]}, r"Points \[6\] .* stand twice"),
        ({"surfaces": [6]}, r"Points \[6\] .* more than one"),
        ({"normals": None}, "Surface points need normals"),
        ({"normals": np.zeros((8, 8, 3))}, "must have a length"),
        ({"normals": np.ones((8, 7, 3))}, r"Normals must have shape \(8, 8, 3\)"),
        ({"curves": [], "surfaces": None}, "there is nothing to slide"),
        ({"known": [True]}, "`known` must be 8 truth values"),
        ({"known": np.zeros(8, bool)}, "No specimen is known"),
        ({"project": lambda i, points: (points[:3], None)}, "`project` must return points"),
        ({"project": lambda i, points: (points * np.nan, None)}, "for specimen 0"),
    ],
)
def test_bad_input_is_refused(bones, change, message):
    X, normals = bones()
    task = {"curves": CURVES, "surfaces": SURFACE, "normals": normals} | change
    with pytest.raises(ValueError, match=message):
        slide(X, **task)


def test_bad_configurations_are_refused(bones):
    X, _ = bones()
    with pytest.raises(ShapeError, match="three dimensions only"):
        slide(X[:, :, :2], curves=CURVES, surfaces=SURFACE)
    heap = X.copy()
    heap[:, 7:10] = heap[:, 7:8]
    with pytest.raises(ShapeError, match="Landmarks 7 and 8 of `reference`"):
        slide(heap, curves=CURVES)
    X[0, 0, 0] = np.nan
    with pytest.raises(ShapeError, match="missing"):
        slide(X, curves=CURVES)
