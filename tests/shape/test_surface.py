"""Closest points of scans and points carried to them, on good scans and on bad ones."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.nearest import Surface, along_lines
from morpho.shape.surfaces.patches import carry_points, closest_on_surface
from morpho.shape.thin_plate import ThinPlateSpline


def directions(n, seed=0):
    d = np.random.default_rng(seed).normal(size=(n, 3))
    return d / np.linalg.norm(d, axis=1, keepdims=True)


def rounded(scale=(10, 6, 5), subdivisions=4):
    mesh = trimesh.creation.icosphere(subdivisions=subdivisions)
    return trimesh.Trimesh(mesh.vertices * scale, mesh.faces, process=False)


def inside_out(mesh):
    return trimesh.Trimesh(mesh.vertices, mesh.faces[:, ::-1], process=False)


def joined(*meshes):
    return trimesh.util.concatenate(meshes)


def without(mesh, dropped):
    """The scan with some faces broken away."""
    return trimesh.Trimesh(mesh.vertices, mesh.faces[~dropped], process=False)


@pytest.fixture
def blade():
    """A thin plate, 20 x 20 x 0.6, finely cut."""
    mesh = trimesh.creation.box(extents=[20, 20, 0.6])
    for _ in range(4):
        mesh = mesh.subdivide()
    return mesh


@pytest.fixture
def template():
    """Anchors and points with their normals on an ellipsoid."""
    scale = np.array([10.0, 6, 5])
    anchors, points = directions(30, 1) * scale, directions(60, 2) * scale
    normals = points / scale**2
    return anchors, points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


# --- closest points


@pytest.mark.parametrize("scale", [1e-3, 1, 1e3])
def test_closest_points_of_a_box_in_any_unit(scale):
    """Clipping to the box is the closest point from outside."""
    box = trimesh.creation.box(extents=[2 * scale] * 3)
    points = 2 * scale * np.random.default_rng(0).uniform(-1, 1, size=(300, 3))
    points = points[np.abs(points).max(axis=1) > scale]
    closest, distance, face = closest_on_surface(box, points)
    np.testing.assert_allclose(closest, np.clip(points, -scale, scale), atol=1e-12 * scale)
    np.testing.assert_allclose(distance, np.linalg.norm(points - closest, axis=1))
    corners = box.triangles[face]
    flat = np.einsum("ni,ni->n", closest - corners[:, 0], box.face_normals[face])
    np.testing.assert_allclose(flat, 0, atol=1e-12 * scale)


def test_faces_of_very_different_size():
    """A few huge faces among many small ones, as in a decimated scan."""
    small = rounded((1, 1, 1), 4)
    huge = trimesh.creation.box(extents=[1000, 1000, 1])
    huge.apply_translation([0, 0, -10])
    mesh = joined(small, huge)
    points = 20 * np.random.default_rng(0).uniform(-1, 1, size=(200, 3))
    _, distance, face = closest_on_surface(mesh, points)
    one, other = closest_on_surface(small, points)[1], closest_on_surface(huge, points)[1]
    np.testing.assert_allclose(distance, np.minimum(one, other), atol=1e-12)
    np.testing.assert_array_equal(face >= len(small.faces), other < one)


def test_points_on_the_surface_and_at_its_centre():
    mesh = rounded((1, 1, 1), 3)
    closest, distance, _ = closest_on_surface(mesh, mesh.vertices)
    np.testing.assert_allclose(closest, mesh.vertices, atol=1e-12)
    np.testing.assert_allclose(distance, 0, atol=1e-12)
    _, distance, _ = closest_on_surface(mesh, np.zeros((1, 3)))
    heights = (mesh.triangles[:, 0] * mesh.face_normals).sum(axis=1)
    assert distance[0] == pytest.approx(heights.min())


def test_a_prepared_surface_gives_the_same():
    mesh, points = rounded(), 8 * directions(50)
    for one, other in zip(
        closest_on_surface(mesh, points), closest_on_surface(Surface(mesh), points), strict=True
    ):
        np.testing.assert_array_equal(one, other)


def test_blocks_change_nothing(monkeypatch):
    mesh, points = rounded(), np.concatenate([8 * directions(50), 0.1 * directions(50)])
    whole = closest_on_surface(mesh, points)
    monkeypatch.setattr("morpho.shape.surfaces.nearest._BLOCK", 500)
    assert len(Surface(mesh).blocks(points, np.full(100, 5.0))) > 5
    for one, other in zip(whole, closest_on_surface(mesh, points), strict=True):
        np.testing.assert_array_equal(one, other)


def test_faces_without_area_are_passed_over():
    mesh = rounded()
    faces = np.concatenate([[[0, 0, 1], [3, 3, 3]], mesh.faces])
    bad = trimesh.Trimesh(mesh.vertices, faces, process=False)
    points = 8 * directions(50)
    closest, _, face = closest_on_surface(mesh, points)
    other, _, shifted = closest_on_surface(bad, points)
    np.testing.assert_array_equal(other, closest)
    np.testing.assert_array_equal(shifted, face + 2)
    assert not Surface(bad).at_edge.any()


def test_scans_without_a_surface_are_refused():
    none = trimesh.Trimesh(np.eye(3), np.empty((0, 3), int), process=False)
    with pytest.raises(ShapeError, match="The scan has no faces"):
        closest_on_surface(none, [[0, 0, 0]])
    line = trimesh.Trimesh([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]], process=False)
    with pytest.raises(ShapeError, match="No face of the scan has an area"):
        closest_on_surface(line, [[0, 0, 0]])
    lost = trimesh.Trimesh([[0, 0, 0], [1, 0, 0], [2, np.nan, 0]], [[0, 1, 2]], process=False)
    with pytest.raises(ShapeError, match="vertices whose coordinates are no numbers"):
        closest_on_surface(lost, [[0, 0, 0]])
    with pytest.raises(ShapeError, match=r"points \[1\] \(counted from 0\)"):
        closest_on_surface(rounded(), [[0, 0, 0], [0, np.nan, 0]])
    with pytest.raises(ShapeError, match=r"`points` must have shape \(n_points, 3\)"):
        closest_on_surface(rounded(), [0, 0, 0])


def test_lines_and_triangles():
    corner = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]])
    ahead, behind, beside = [[0.2, 0.2, -3]], [[0.2, 0.2, 2]], [[0.8, 0.8, -3]]
    up, level = np.array([[0.0, 0, 1]]), np.array([[1.0, 0, 0]])
    assert along_lines(np.array(ahead), up, corner)[0] == pytest.approx(3)
    assert along_lines(np.array(behind), up, corner)[0] == pytest.approx(-2)
    assert np.isinf(along_lines(np.array(beside), up, corner)[0])
    assert np.isinf(along_lines(np.array(ahead), level, corner)[0])


# --- pieces, holes, orientation


def test_closed_pieces_and_holes():
    mesh = rounded()
    whole = Surface(mesh)
    assert not whole.at_edge.any()
    np.testing.assert_array_equal(whole.outward, [1])
    np.testing.assert_array_equal(Surface(inside_out(mesh)).outward, [-1])
    centre = mesh.triangles_center
    holed = without(mesh, centre[:, 0] > 9)
    surface = Surface(holed)
    np.testing.assert_array_equal(surface.outward, [0])
    edge = holed.triangles_center[surface.at_edge]
    assert 0 < len(edge) < 100
    assert (edge[:, 0] > 7.5).all()


def test_faces_that_share_places_but_no_vertices_are_joined():
    """So do files that store three corners for each face."""
    mesh = rounded()
    loose = trimesh.Trimesh(
        mesh.triangles.reshape(-1, 3), np.arange(3 * len(mesh.faces)).reshape(-1, 3), process=False
    )
    surface = Surface(loose)
    assert not surface.at_edge.any()
    np.testing.assert_array_equal(surface.outward, [1])


def test_an_edge_of_three_faces_is_no_open_edge():
    box = trimesh.creation.box(extents=[2, 2, 2])
    a, b = box.edges_unique[0]
    tip = 3 * (box.vertices[a] + box.vertices[b])
    mesh = trimesh.Trimesh(
        np.vstack([box.vertices, tip]), np.vstack([box.faces, [a, b, 8]]), process=False
    )
    surface = Surface(mesh)
    assert len(surface.outward) == 1
    touching = np.isin(mesh.faces, [a, b]).any(axis=1)
    np.testing.assert_array_equal(surface.at_edge, touching)  # the fin ends openly there
    closest, distance, _ = closest_on_surface(mesh, [-tip])
    np.testing.assert_allclose(np.abs(closest).max(), 1)
    assert distance[0] == pytest.approx(closest_on_surface(box, [-tip])[1][0])


def test_a_cavity_is_wound_like_its_bone_and_a_neighbour_is_judged_by_itself():
    outer, inner = rounded(), inside_out(rounded((5, 3, 2)))
    beside = rounded()
    beside.apply_translation([40, 0, 0])
    surface = Surface(joined(inner, outer, inside_out(beside)))
    at = surface.corners.mean(axis=1)
    away = at - np.where(at[:, :1] > 20, [[40, 0, 0]], [[0, 0, 0]])
    out = surface.outward[surface.component] * np.einsum("ni,ni->n", surface.normals, away)
    size = np.linalg.norm(away / [10, 6, 5], axis=1)
    assert (out[size > 0.9] > 0).all()
    assert (out[size < 0.9] < 0).all()  # normals of the cavity point into it
    assert (size < 0.9).any()


# --- carrying


def test_a_template_carried_to_itself_stays(template):
    anchors, points, normals = template
    mesh = rounded(subdivisions=5)
    for kinds in ({}, {"template_normals": normals}, {"template_mesh": mesh}):
        carried = carry_points(points, anchors, anchors, mesh, **kinds)
        np.testing.assert_allclose(carried.points, points, atol=0.02)
        np.testing.assert_allclose(carried.distance, 0, atol=0.02)
        assert set(carried.flag) == {""}


@pytest.mark.parametrize("mirrored", [False, True])
def test_points_land_on_the_surface_along_the_normal(template, mirrored):
    """Also if the specimen is of the other side: the spline then turns normals about."""
    anchors, points, normals = template
    change = np.diag([1.1, 1.2, 0.9]) @ np.diag([-1.0 if mirrored else 1, 1, 1])
    mesh = rounded(np.array([11, 7.2, 4.5]), 5)
    carried = carry_points(points, anchors, 0.97 * anchors @ change, mesh, normals)
    assert set(carried.flag) == {""}
    np.testing.assert_allclose(closest_on_surface(mesh, carried.points)[1], 0, atol=1e-10)
    warped = 0.97 * points @ change
    np.testing.assert_allclose(np.linalg.norm(carried.points - warped, axis=1), carried.distance)
    along = normals @ np.linalg.inv(change)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    moved = carried.points - warped
    assert carried.distance.max() > 0.1
    np.testing.assert_allclose((moved * along).sum(axis=1), carried.distance, rtol=1e-6)


def test_points_by_closest_point_if_there_are_no_normals(template):
    anchors, points, _ = template
    mesh = rounded(np.array([11, 7.2, 4.5]))
    target = anchors * [1.1, 1.2, 0.9]
    carried = carry_points(points, anchors, target, mesh)
    warped = ThinPlateSpline().fit(anchors, target).transform(points)
    np.testing.assert_array_equal(carried.points, closest_on_surface(mesh, warped)[0])


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("template_turned", [False, True])
def test_normals_of_scans_may_point_inwards(template, turned, template_turned):
    anchors, points, normals = template
    mesh, home = rounded(np.array([11, 7.2, 4.5])), rounded()
    target = 0.97 * anchors * [1.1, 1.2, 0.9]
    expected = carry_points(points, anchors, target, mesh, normals)
    carried = carry_points(
        points, anchors, target, inside_out(mesh) if turned else mesh,
        template_mesh=inside_out(home) if template_turned else home,
    )  # fmt: skip
    np.testing.assert_allclose(carried.points, expected.points, atol=0.05)
    assert set(carried.flag) == {""}


@pytest.mark.parametrize("turned", [False, True])
def test_a_thin_blade_keeps_its_sides(blade, turned):
    """Points warped to nearer the wrong side still find the right one."""
    rng = np.random.default_rng(0)
    flat = rng.uniform(-8, 8, size=(40, 2))
    points = np.column_stack([flat, np.full(40, 0.3)])
    anchors = np.array([[x, y, z] for x in (-9, 0, 9) for y in (-9, 0, 9) for z in (-0.3, 0.3)])
    target = anchors - [0, 0, 0.5]
    mesh = inside_out(blade) if turned else blade
    up = np.tile([0.0, 0, 1], (40, 1))
    carried = carry_points(points, anchors, target, mesh, up)
    np.testing.assert_allclose(carried.points[:, 2], 0.3, atol=1e-9)
    np.testing.assert_allclose(carried.distance, 0.5, atol=1e-9)
    # without normals they go astray, and nothing tells
    np.testing.assert_allclose(carry_points(points, anchors, target, mesh).points[:, 2], -0.3)
    # out of reach of the right side they go to the wrong one, and it is told
    lost = carry_points(points, anchors, target, mesh, up, reach=0.3)
    np.testing.assert_allclose(lost.points[:, 2], -0.3, atol=1e-9)
    assert set(lost.flag) == {"other_side"}


@pytest.mark.parametrize(("tilt", "way"), [(0, 0.2), (45, 0.2 * 2**0.5), (75, 0.2)])
def test_a_grazing_normal_gives_way_to_the_closest_point(blade, tilt, way):
    """At 75 degrees it meets the surface only at nearly four times the shortest way."""
    anchors = np.array([[x, y, z] for x in (-9, 9) for y in (-9, 9) for z in (-0.3, 0.3)])
    normal = [[np.sin(np.radians(tilt)), 0, np.cos(np.radians(tilt))]]
    carried = carry_points([[1.0, 2, 0.5]], anchors, anchors, blade, normal)
    assert carried.distance[0] == pytest.approx(way)
    assert carried.points[0, 2] == pytest.approx(0.3)


def test_points_off_the_scan_are_flagged(template):
    anchors, points, normals = template
    target = anchors + np.array([0, 0, 6])
    carried = carry_points(points, anchors, target, rounded(), normals, reach=2)
    assert (carried.flag[carried.distance > 2] == "far").all()
    assert (carried.flag == "far").sum() > 5
    assert (carried.flag[points[:, 2] > 3] == "far").all()


def test_a_break_is_flagged_where_it_is(template):
    anchors, points, normals = template
    mesh = rounded()
    broken = without(mesh, mesh.triangles_center[:, 0] > 6)
    # the blind end is gone, but the other landmarks tell where it was
    carried = carry_points(points, anchors, anchors, broken, normals)
    gone = points[:, 0] > 6.8
    assert gone.sum() > 3
    assert (carried.flag[gone] != "").all()
    beside = carried.flag == "edge"
    assert beside.any()
    assert (points[beside, 0] > 5).all()
    assert (points[beside, 0] < 8).all()
    assert (carried.flag[points[:, 0] < 5] == "").all()


@pytest.mark.parametrize("turned", [False, True])
def test_an_open_scan_inside_out_is_noticed_by_its_points(template, turned):
    anchors, points, normals = template
    mesh = rounded()
    broken = without(mesh, mesh.triangles_center[:, 0] > 6)
    mesh = inside_out(broken) if turned else broken
    carried = carry_points(points, anchors, anchors, mesh, normals)
    assert (carried.flag[points[:, 0] < 5] == "").all()


def test_other_pieces_do_not_attract_points_that_face_the_right_way(template):
    """A crumb and a cavity within the bone, nearer to the warped points than the surface."""
    anchors, points, normals = template
    cavity = inside_out(rounded((9.4, 5.4, 4.4)))
    crumb = rounded((0.2, 0.2, 0.2), 1)
    crumb.apply_translation([0, 0, 12])
    mesh = joined(crumb, cavity, rounded(subdivisions=5))
    carried = carry_points(points, anchors, 0.95 * anchors, mesh, normals)
    np.testing.assert_allclose(np.linalg.norm(carried.points / [10, 6, 5], axis=1), 1, atol=0.01)
    assert set(carried.flag) == {""}


def test_a_scan_of_twelve_faces(template):
    anchors, points, normals = template
    box = trimesh.creation.box(extents=[20, 12, 10])
    carried = carry_points(points, anchors, anchors, box, normals, reach=5)
    np.testing.assert_allclose(np.abs(carried.points / [10, 6, 5]).max(axis=1), 1)


def test_anchors_with_a_gap_are_left_out(template):
    anchors, points, normals = template
    mesh, target = rounded(), anchors.copy()
    target[3, 1] = np.nan
    carried = carry_points(points, anchors, target, mesh, normals)
    kept = np.arange(len(anchors)) != 3
    expected = carry_points(points, anchors[kept], anchors[kept], mesh, normals)
    np.testing.assert_array_equal(carried.points, expected.points)


def test_bad_input_is_refused(template):
    anchors, points, normals = template
    mesh = rounded()
    with pytest.raises(ShapeError, match=r"same landmarks, but have shapes \(30, 3\) and \(29, 3"):
        carry_points(points, anchors, anchors[1:], mesh)
    with pytest.raises(ShapeError, match="needs at least 4 landmarks"):
        carry_points(points, anchors[:3], anchors[:3], mesh)
    flat = anchors * [1, 1, 0]
    with pytest.raises(ShapeError, match="lie in one plane"):
        carry_points(points, flat, anchors, mesh)
    with pytest.raises(ShapeError, match="as many as the points, 60, but are 59"):
        carry_points(points, anchors, anchors, mesh, normals[1:])
    with pytest.raises(ValueError, match="`reach` must be more than 0, but is -1"):
        carry_points(points, anchors, anchors, mesh, reach=-1)
    with pytest.raises(ShapeError, match="`template_points`"):
        carry_points(points[:, :2], anchors, anchors, mesh)
    with pytest.raises(ShapeError, match="The scan has no faces"):
        carry_points(points, anchors, anchors, trimesh.Trimesh())
