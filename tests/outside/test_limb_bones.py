"""Scans of human limb bones: a left one, mirrored, comes onto a right one.

Nothing says which point of the one bone answers to which of the other: bones are laid
principal axes on principal axes, in each of the four ways that turn without mirroring, and
then brought closer by turns of closest points and similarity (Besl & McKay 1992, IEEE
Transactions on Pattern Analysis and Machine Intelligence 14, 239-256; here by the project's
own closest points and rotations). Left and right are of different people, so that what makes
one person differ from another is left over: one per cent of the length is 3 to 5 mm.

The scans come with general packages for the simulation of movement, which are not imported:

- left femur: BodyParts3D, (c) The Database Center for Life Science, licensed under Creative
  Commons Attribution-Share Alike 2.1 Japan, from magnetic resonance images of a man; in
  pyfieldml (itself under the Apache licence 2.0). That it is a left one is not said there:
  its form tells, see the test;
- all others: bones of the OpenSim models, Creative Commons Attribution 3.0 (femur: Delp et
  al. 1990, IEEE Transactions on Biomedical Engineering 37, 757-767; right humerus: Holzbaur,
  Murray & Delp 2005, Annals of Biomedical Engineering 33, 829-840); in osim-rl (itself
  under the Apache licence 2.0). Its left bones are mirror images of its right ones, made by
  computer, so that never both are taken of one set: the humerus comes left from the
  set with `_lv` in its names and right from the other, `arm_r_`, which is of another scan.
"""

from __future__ import annotations

from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import trimesh

from morpho.shape.rotation import best_rotations
from morpho.shape.surfaces.patches import Surface, carry_points, closest_on_surface
from morpho.shape.symmetry.sides import mirror

BONES = ["femur", "humerus"]

# Half turns about one principal axis each, and none; none of them mirrors.
TURNS = [np.diag(signs) for signs in ([1, -1, -1], [-1, 1, -1], [-1, -1, 1], [1, 1, 1])]


def folder_of(package):
    found = find_spec(package)
    if found is None:
        pytest.skip(f"the scans of the package with the module {package} are not installed")
    return Path(found.submodule_search_locations[0])


def numbers(element, kind):
    return np.array(element.text.split(), dtype=kind)


def opensim_bone(name):
    """Polygons of a VTK file in XML, cut into triangles; in metres."""
    path = folder_of("osim") / "models" / "Geometry" / f"{name}.vtp"
    piece = ElementTree.parse(path).find(".//Piece")
    vertices = numbers(piece.find("Points/DataArray"), float).reshape(-1, 3)
    parts = {part.get("Name"): numbers(part, int) for part in piece.iterfind("Polys/DataArray")}
    polygons = np.split(parts["connectivity"], parts["offsets"][:-1])
    faces = [[p[0], a, b] for p in polygons for a, b in pairwise(p[1:])]
    return trimesh.Trimesh(vertices, faces, process=False)


def bodyparts_femur():
    """Two tables of a FieldML file, coordinates and corners counted from 1; in millimetres."""
    path = folder_of("pyfieldml") / "datasets" / "_bundled" / "femur_bodyparts3d.fieldml"
    texts = list(ElementTree.parse(path).iter("DataResourceString"))
    vertices = numbers(texts[0], float).reshape(-1, 3)
    faces = numbers(texts[1], int).reshape(-1, 3) - 1
    return trimesh.Trimesh(vertices, faces, process=False)


def bones_of(name):
    """Left and right."""
    if name == "femur":
        return bodyparts_femur(), opensim_bone("femur_r")
    return opensim_bone(f"{name}_lv"), opensim_bone(f"arm_r_{name}")


def mirrored(mesh):
    """Mirror image with the project's own function; faces turned, so that outside stays so."""
    return trimesh.Trimesh(mirror(mesh.vertices), mesh.faces[:, ::-1], process=False)


def even_points(mesh, n):
    """Points on the surface, as many to each area."""
    return np.asarray(trimesh.sample.sample_surface(mesh, n, seed=5)[0])


def frame(X):
    """Centroid, root mean square distance from it, and right-handed principal axes."""
    centre = X.mean(axis=0)
    _, singular, axes = np.linalg.svd(X - centre, full_matrices=False)
    axes[2] *= np.sign(np.linalg.det(axes))
    return centre, np.sqrt((singular**2).sum() / len(X)), axes


def length_of(mesh):
    X = even_points(mesh, 2000)
    centre, _, axes = frame(X)
    return np.ptp((X - centre) @ axes[0])


def brought_nearer(X, target, n_turns):
    for _ in range(n_turns):
        Y = closest_on_surface(target, X)[0]
        A, B = X - X.mean(axis=0), Y - Y.mean(axis=0)
        turned = A @ best_rotations((A.T @ B)[None])[0]
        X = (turned * B).sum() / (A * A).sum() * turned + Y.mean(axis=0)
    return X


def onto(moving, fixed, n=500):
    """Copy of a scan brought onto another by turning, moving and one factor of size only."""
    X, target = even_points(moving, n), Surface(fixed)
    centre, size, axes = frame(X)
    centre_to, size_to, axes_to = frame(even_points(fixed, n))
    starts = [size_to / size * (X - centre) @ axes.T @ turn @ axes_to + centre_to for turn in TURNS]
    near = [brought_nearer(start, target, 15) for start in starts]
    best = min(near, key=lambda Y: np.square(closest_on_surface(target, Y)[1]).sum())
    there = brought_nearer(best, target, 60)
    # the same similarity for the corners
    A, B = X - centre, there - there.mean(axis=0)
    R = best_rotations((A.T @ B)[None])[0]
    scale = np.sqrt((B * B).sum() / (A * A).sum())
    placed = scale * (moving.vertices - centre) @ R + there.mean(axis=0)
    np.testing.assert_allclose(scale * A @ R, B, atol=1e-9 * size_to)
    return trimesh.Trimesh(placed, moving.faces, process=False)


def gaps(a, b):
    """Distances of points of either scan to the other's surface."""
    return np.concatenate(
        [
            closest_on_surface(b, even_points(a, 800))[1],
            closest_on_surface(a, even_points(b, 800))[1],
        ]
    )


@pytest.fixture(scope="module")
def laid():
    """Give a function: the right bone, the left one laid on it mirrored and unmirrored."""
    made = {}

    def lay(bone):
        if bone not in made:
            left, right = bones_of(bone)
            made[bone] = right, onto(mirrored(left), right), onto(left, right)
        return made[bone]

    return lay


@pytest.mark.parametrize("bone", BONES)
def test_left_is_no_copy_of_right(bone):
    """A left bone made by computer from the right one would make the other tests empty."""
    left, right = bones_of(bone)
    assert len(left.vertices) != len(right.vertices)
    assert len(left.faces) != len(right.faces)


@pytest.mark.parametrize(("side", "up", "sign"), [("left", 2, 1), ("right", 1, -1)])
def test_sides_of_the_femora_by_their_form(side, up, sign):
    """The head leans to the midline, and the condyles lie further back than the shaft.

    To the midline, up and back are a right-handed frame in a left femur only. Which axis
    points up is known of both scans.
    """
    left, right = bones_of("femur")
    X = even_points(left if side == "left" else right, 4000)
    height = (X[:, up] - X[:, up].min()) / np.ptp(X[:, up])

    def middle(low, high):
        return X[(height >= low) & (height <= high)].mean(axis=0)

    to_midline, back = middle(0.9, 1) - middle(0.8, 0.9), middle(0, 0.1) - middle(0.4, 0.6)
    assert np.sign(np.linalg.det([to_midline, np.eye(3)[up], back])) == sign


@pytest.mark.slow
@pytest.mark.parametrize("bone", BONES)
def test_mirrored_left_bone_comes_onto_the_right_one(laid, bone):
    """Most of the surface within two per cent of the length; unmirrored, it stays further off."""
    right, mirror_image, as_it_is = laid(bone)
    length = length_of(right)
    close, other = gaps(mirror_image, right) / length, gaps(as_it_is, right) / length
    assert np.median(close) < 0.01
    assert np.percentile(close, 95) < 0.02
    assert np.sqrt(np.mean(other**2)) > 1.2 * np.sqrt(np.mean(close**2))
    assert np.percentile(other, 95) > 1.2 * np.percentile(close, 95)


def anchors_on(right, left, n=40):
    """Points spread over one scan, and their closest ones on the other laid on it."""
    X = even_points(right, 2000)
    kept = [0]
    gap = np.full(len(X), np.inf)
    while len(kept) < n:
        gap = np.minimum(gap, np.linalg.norm(X - X[kept[-1]], axis=1))
        kept.append(int(gap.argmax()))
    return X[kept], closest_on_surface(left, X[kept])[0]


@pytest.mark.slow
@pytest.mark.parametrize("bone", BONES)
def test_points_are_carried_over_and_back(laid, bone):
    """Points of the right bone go to the mirrored left one and come back to where they were."""
    right, left, _ = laid(bone)
    length = length_of(right)
    X = even_points(right, 300)
    on_right, on_left = anchors_on(right, left)
    there = carry_points(X, on_right, on_left, left, template_mesh=right)
    back = carry_points(there.points, on_left, on_right, right, template_mesh=left)
    missed = np.linalg.norm(back.points - X, axis=1) / length
    away = there.distance / length
    assert np.median(away) < 0.006
    assert np.percentile(away, 95) < 0.015
    assert np.median(missed) < 0.003
    assert np.percentile(missed, 95) < 0.01
    # scans may be open somewhere; next to none is met from the other side
    assert np.isin(there.flag, ["", "edge"]).mean() > 0.98
    assert closest_on_surface(left, there.points)[1].max() < 1e-9 * length
