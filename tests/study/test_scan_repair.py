"""Scans put right: what is done, and what is told of it."""

import numpy as np
import pytest
import trimesh

from morpho.study.scans import repair as scan_repair
from morpho.study.scans.repair import repair_scan


@pytest.fixture
def ball():
    """A closed surface of 1,280 triangles, facing outwards."""
    return trimesh.creation.icosphere(subdivisions=3, radius=10)


def told_of(mesh):
    repaired, told = repair_scan(mesh)
    return repaired, told.render()


def test_a_sound_scan_is_left_as_it_is(ball):
    """A user's scan has nothing wrong with it."""
    repaired, told = told_of(ball)
    assert told == ""
    assert np.array_equal(repaired.vertices, ball.vertices)
    assert np.array_equal(repaired.faces, ball.faces)


def test_the_given_mesh_is_not_changed(ball):
    """A notebook user repairs a mesh and still has it."""
    ball.invert()
    faces = ball.faces.copy()
    repair_scan(ball)
    assert np.array_equal(ball.faces, faces)


def test_holes_stay_and_are_counted(ball):
    """A scan with two holes of one triangle each: six open edges."""
    ball.update_faces(~np.isin(np.arange(1280), [0, 1000]))
    around = trimesh.creation.icosphere(subdivisions=3, radius=10).triangles[[0, 1000]]
    longest = np.linalg.norm(around - np.roll(around, 1, axis=1), axis=2).sum(axis=1).max()
    repaired, told = told_of(ball)
    assert "it has 2 holes or borders (6 open edges), the longest" in told
    assert f"{longest:.3g} mm around" in told
    assert len(repaired.faces) == 1278


def test_dust_is_left_out(ball):
    """A scan with two loose grains: the bone is kept, and the repair told."""
    grains = [trimesh.creation.icosphere(subdivisions=1, radius=0.2) for _ in range(2)]
    for grain, place in zip(grains, (15, -15), strict=True):
        grain.apply_translation([place, 0, 0])
    repaired, told = told_of(trimesh.util.concatenate([grains[0], ball, grains[1]]))
    assert "note: The scan is in 3 pieces that do not hang together" in told
    assert "more than 99% of the surface, was kept" in told
    assert len(repaired.faces) == 1280
    assert np.isclose(repaired.volume, ball.volume)


def test_two_large_pieces_are_kept_with_a_warning(ball):
    """A scan in two halves: none of them is the bone alone."""
    other = ball.copy()
    other.apply_translation([30, 0, 0])
    repaired, told = told_of(trimesh.util.concatenate([ball, other]))
    assert "warning: The scan is in 2 pieces" in told
    assert "has only 50% of the surface, so all were kept" in told
    assert len(repaired.faces) == 2560


def test_a_scan_inside_out_is_turned(ball):
    """A user's program wrote the corners in the other order."""
    volume = ball.volume
    ball.invert()
    repaired, told = told_of(ball)
    assert "note: The scan was inside out" in told
    assert np.isclose(repaired.volume, volume)


@pytest.mark.parametrize("every", [2, 3, 5])
def test_mixed_triangles_are_turned(ball, every):
    """Some triangles face inwards: after the repair none does, whichever they are."""
    faces = ball.faces.copy()
    faces[::every] = faces[::every, ::-1]
    mixed = trimesh.Trimesh(ball.vertices, faces, process=False)
    repaired, told = told_of(mixed)
    assert f"{len(faces[::every])} triangles of the scan faced inwards and were turned" in told
    assert repaired.is_winding_consistent
    assert np.isclose(repaired.volume, ball.volume)


def test_an_inner_wall_rightly_faces_the_hollow(ball):
    """A bone with a marrow cavity: its inner wall is not turned."""
    hollow = trimesh.creation.icosphere(subdivisions=3, radius=6)
    hollow.invert()
    repaired, told = told_of(trimesh.util.concatenate([ball, hollow]))
    assert "turned" not in told
    assert np.isclose(repaired.volume, ball.volume + hollow.volume)


def test_a_sheet_is_not_turned():
    """A broken piece scanned from one side has no inside: its triangles stay."""
    plane = trimesh.creation.box(extents=[1, 1, 1]).subdivide().subdivide().subdivide()
    plane.update_faces(plane.triangles_center[:, 2] > 0.499)
    for _ in range(2):
        faces = plane.faces.copy()
        repaired, told = told_of(plane)
        assert "turned" not in told
        assert len(repaired.faces) == len(faces)
        plane.invert()


def test_a_surface_with_one_side_is_warned_of():
    """A Moebius strip has no outside."""
    turns, across = np.linspace(0, 2 * np.pi, 300, endpoint=False), (-0.2, 0.0, 0.2)
    vertices = [
        [
            (1 + s * np.cos(t / 2)) * np.cos(t),
            (1 + s * np.cos(t / 2)) * np.sin(t),
            s * np.sin(t / 2),
        ]
        for t in turns
        for s in across
    ]
    faces = []
    for n in range(300):
        for row in range(2):
            a, b = 3 * n + row, 3 * n + row + 1
            c, d = (3 * n + 3 + row, 3 * n + 4 + row) if n < 299 else (2 - row, 1 - row)
            faces += [[a, c, d], [a, d, b]]
    _, told = told_of(trimesh.Trimesh(vertices, faces, process=False))
    assert "warning: The scan's surface has no inside and outside" in told


def test_crowded_edges_are_noted(ball):
    """A fin stands on the surface: three triangles meet at its edge."""
    a, b = ball.faces[0, :2]
    fin = trimesh.Trimesh(
        np.vstack([ball.vertices, [0, 0, 30]]),
        np.vstack([ball.faces, [a, b, len(ball.vertices)]]),
        process=False,
    )
    _, told = told_of(fin)
    assert "More than two triangles meet at 1 edge of the scan" in told


def test_useless_triangles_are_left_out(ball):
    """Triangles that stand twice, or have one corner twice."""
    a, b, _ = ball.faces[7]
    faces = np.vstack([ball.faces, ball.faces[:5], [[a, a, b]]])
    repaired, told = told_of(trimesh.Trimesh(ball.vertices, faces, process=False))
    assert "5 triangles of the scan stood twice and were left out" in told
    assert len(repaired.faces) == 1280
    assert repaired.is_watertight


def test_corners_in_one_place_are_made_one(ball):
    """A file that lists each triangle's corners apart, as STL does, is one piece all the same."""
    soup = trimesh.Trimesh(
        ball.triangles.reshape(-1, 3), np.arange(3840).reshape(-1, 3), process=False
    )
    repaired, told = told_of(soup)
    assert told == ""
    assert len(repaired.vertices) == len(ball.vertices)


def test_a_coarse_scan_is_warned_of():
    """A box of 12 triangles is no scan."""
    _, told = told_of(trimesh.creation.box())
    assert "warning: The scan has 12 triangles only" in told
    assert "at least 500" in told


def test_a_large_scan_is_reduced_with_its_error_told(ball, monkeypatch):
    """A scan with more triangles than are of use: how far its surface moves is said."""
    monkeypatch.setattr(scan_repair, "MOST_FACES", 5000)
    fine = trimesh.creation.icosphere(subdivisions=5, radius=10)
    repaired, told = told_of(fine)
    assert f"The scan has 20,480 triangles; it was reduced to {len(repaired.faces):,}" in told
    assert 4900 <= len(repaired.faces) <= 5000
    moved = float(told.split("no more than ")[1].split(" mm")[0])
    radii = np.linalg.norm(repaired.triangles_center, axis=1)
    assert 0 < moved < 0.05
    assert np.abs(radii - 10).max() < 0.05
    assert repaired.is_watertight
    assert np.array_equal(repair_scan(fine)[0].vertices, repaired.vertices)


@pytest.mark.long
def test_two_million_triangles_are_reduced():
    """A user's scan straight from the scanner."""
    fine = trimesh.creation.uv_sphere(radius=10, count=[1000, 1001])
    fine.update_faces(np.arange(len(fine.faces)) < 2_000_000)
    repaired, told = told_of(fine)
    assert "The scan has 2,000,000 triangles; it was reduced to " in told
    assert 499_000 <= len(repaired.faces) <= 500_000
