"""Closing surfaces: what is closed, what is not, and that it is told."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from morpho.shape.checks import ShapeError
from morpho.shape.surfaces.watertight import _fill_ring, _flatness, _ring_length, close_surface


@pytest.fixture
def ball():
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=10)
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


def circle(n, radius=1.0):
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return radius * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(n)])


def free(i, j):
    return False


def test_a_closed_surface_stays_as_it_is(ball):
    V, F = ball
    closed = close_surface(V, F)
    assert closed.watertight_before
    assert closed.watertight
    assert closed.holes == ()
    assert not closed.filled.any()
    assert closed.volume == pytest.approx(trimesh.Trimesh(V, F).volume)


@pytest.mark.parametrize("lost", [0.01, 0.1, 0.3])
@pytest.mark.parametrize("seed", range(3))
def test_surfaces_with_many_holes_are_closed_outwards(ball, lost, seed):
    """Faces lost at random: holes that touch at corners, and islands."""
    V, F = ball
    kept = F[np.random.default_rng(seed).random(len(F)) > lost]
    closed = close_surface(V, kept)
    mesh = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
    assert not closed.watertight_before
    unfilled = [hole for hole in closed.holes if not hole.filled]
    assert closed.watertight == (not unfilled)
    assert closed.watertight == mesh.is_watertight
    assert mesh.is_winding_consistent
    assert closed.open_edges == sum(hole.edges for hole in unfilled)
    assert closed.open_edges_before == sum(hole.edges for hole in closed.holes)
    if closed.watertight:
        assert closed.volume == pytest.approx(mesh.volume)
        assert closed.volume > 0.9 * trimesh.Trimesh(V, F).volume
    else:
        assert np.isnan(closed.volume)


def test_a_broken_end_gets_a_flat_lid():
    """A shaft that lacks one end: the volume is that of the prism."""
    shaft = trimesh.creation.cylinder(radius=2, height=9, sections=60)
    open_end = shaft.faces[~(shaft.triangles[..., 2] > 4.4).all(axis=1)]
    closed = close_surface(shaft.vertices, open_end)
    (hole,) = closed.holes
    assert hole.filled
    assert hole.edges == closed.open_edges_before == 60
    assert hole.middle == pytest.approx([0, 0, 4.5])
    assert hole.length == pytest.approx(60 * 2 * 2 * np.sin(np.pi / 60))
    lid = closed.vertices[closed.faces[closed.filled]]
    np.testing.assert_allclose(lid[..., 2], 4.5)
    assert closed.volume == pytest.approx(9 * 60 / 2 * 4 * np.sin(2 * np.pi / 60))


def test_what_is_too_long_or_not_flat_stays_open_and_is_told(ball):
    V, F = ball
    half = F[V[F].mean(axis=1)[:, 2] < 0]
    closed = close_surface(V, half, longest=0.5)
    assert not closed.watertight
    assert np.isnan(closed.volume)
    assert closed.open_edges == closed.open_edges_before > 0
    (hole,) = closed.holes
    assert not hole.filled
    assert hole.reason == "long"
    bent = close_surface(V, half, flat=0.0)
    assert bent.holes[0].reason == "bent"
    assert close_surface(V, half).watertight


def test_faces_wound_anyhow_come_out_outwards(ball):
    V, F = ball
    mixed = np.where(np.random.default_rng(0).random(len(F))[:, None] < 0.4, F[:, ::-1], F)
    for faces in (mixed, F[:, ::-1], mixed[5:]):
        closed = close_surface(V, faces)
        mesh = trimesh.Trimesh(closed.vertices, closed.faces, process=False)
        assert mesh.is_winding_consistent
        assert mesh.volume == pytest.approx(trimesh.Trimesh(V, F).volume, rel=0.01)
        assert closed.volume > 0


def test_a_hollow_stays_hollow(ball):
    """The inner wall faces the hollow; two balls beside each other face outwards."""
    V, F = ball
    hollow = close_surface(np.vstack([V, V / 2]), np.vstack([F, F[:, ::-1] + len(V)]))
    whole = trimesh.Trimesh(V, F).volume
    assert hollow.volume == pytest.approx(whole * 7 / 8)
    beside = close_surface(np.vstack([V, V / 2 + 30]), np.vstack([F, F[:, ::-1] + len(V)]))
    assert beside.volume == pytest.approx(whole * 9 / 8)


def test_corners_at_one_place_are_one_as_from_stl(ball):
    V, F = ball
    loose = V[F].reshape(-1, 3)
    closed = close_surface(loose, np.arange(len(loose)).reshape(-1, 3))
    assert closed.watertight_before
    assert len(closed.vertices) == len(V)
    with pytest.raises(ShapeError, match="three corners at different places"):
        close_surface(np.zeros((3, 3)), [[0, 1, 2]])


def test_useless_faces_and_vertices_are_left_out(ball):
    V, F = ball
    more = np.vstack([F, F[:3], [[7, 7, 8]]])
    closed = close_surface(np.vstack([V, [[99, 99, 99]]]), more)
    assert closed.watertight_before
    assert closed.faces.shape == F.shape
    assert len(closed.vertices) == len(V)


def test_a_fin_is_told_and_stays(ball):
    """A third face at an edge cannot be printed; nothing is invented about it."""
    V, F = ball
    fin = np.vstack([F, [[F[0, 0], F[0, 1], len(V)]]])
    closed = close_surface(np.vstack([V, [[30, 0, 0]]]), fin)
    assert closed.crowded_edges == 1
    assert not closed.watertight
    assert np.isnan(closed.volume)


def test_a_moebius_strip_has_one_side():
    n = 12
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    rims = [
        np.column_stack(
            [
                np.cos(turn) * (3 + s * np.cos(turn / 2)),
                np.sin(turn) * (3 + s * np.cos(turn / 2)),
                s * np.sin(turn / 2),
            ]
        )
        for s in (-1, 1)
    ]
    # past the end one rim goes on as the other
    here = np.arange(2 * n)
    there = (here + 1) % (2 * n)
    across = (here + n) % (2 * n)
    quads = (
        np.column_stack([here, there, across])[:n],
        np.column_stack([there, (across + 1) % (2 * n), across])[:n],
    )
    closed = close_surface(np.vstack(rims), np.vstack(quads))
    assert not closed.two_sided
    assert not closed.watertight
    assert closed.holes == ()


@pytest.mark.parametrize("n", [3, 4, 12, 120, 301, 2000])
def test_a_round_hole_is_filled_by_its_area(n):
    ring = circle(n)
    triangles, middle = _fill_ring(ring, free)
    corners = np.vstack([ring, *([] if middle is None else [middle])])[triangles]
    areas = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] / 2
    assert (areas > -1e-12).all()  # wound as the ring runs
    assert areas.sum() == pytest.approx(n / 2 * np.sin(2 * np.pi / n))
    assert (middle is None) == (n <= 300)


def test_a_star_is_not_filled_across_its_bays():
    """Of all triangulations the smallest: in the plane that is the area within."""
    ring = circle(14) * np.where(np.arange(14) % 2, 0.3, 1)[:, None]
    triangles, _ = _fill_ring(ring, free)
    corners = ring[triangles]
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]),
                           axis=1) / 2  # fmt: skip
    x, y = ring[:, 0], ring[:, 1]
    assert areas.sum() == pytest.approx((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def test_an_edge_that_is_there_is_not_used_twice():
    ring = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]])
    used, _ = _fill_ring(ring, lambda i, j: {i, j} == {0, 2})
    assert all({0, 2} - set(triangle) for triangle in used.tolist())
    fan, middle = _fill_ring(ring, lambda i, j: True)
    assert middle == pytest.approx([0.5, 0.5, 0])
    assert len(fan) == 4


def test_measures_of_a_ring():
    assert _ring_length(circle(400, 2)) == pytest.approx(4 * np.pi, rel=1e-4)
    assert _flatness(circle(9)) == pytest.approx(0, abs=1e-12)
    bent = circle(40)
    bent[:, 2] = 0.2 * np.cos(2 * np.linspace(0, 2 * np.pi, 40, endpoint=False))
    assert _flatness(bent) == pytest.approx(0.4 / _ring_length(bent), rel=1e-6)
    with pytest.raises(ShapeError, match="at least 3 corners, but has 2"):
        _fill_ring(circle(2), free)


@pytest.mark.parametrize("bad", [-1, np.nan])
def test_limits_must_be_shares(ball, bad):
    with pytest.raises(ValueError, match="`longest` must be a share of 0 or more"):
        close_surface(*ball, longest=bad)
    with pytest.raises(ValueError, match="`flat` must be a share of 0 or more"):
        close_surface(*ball, flat=bad)
