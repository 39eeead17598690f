"""The plane between left and right, and midline landmarks that are far off it."""

import numpy as np
import pytest

from morpho.study.check import check_study
from morpho.study.landmarks.midline import midline_plane


def pairs(normal, offset, n, noise, seed=0):
    random = np.random.default_rng(seed)
    normal = np.asarray(normal) / np.linalg.norm(normal)
    left = random.normal(size=(n, 3)) * 5
    left += np.outer(offset - left @ normal + random.uniform(1, 6, n), normal)
    right = left - np.outer(2 * (left @ normal - offset), normal)
    return left + random.normal(0, noise, left.shape), right + random.normal(0, noise, left.shape)


def test_the_plane_of_exact_pairs_is_found():
    """A known plane, from pairs mirrored in it: the normal points from right to left."""
    normal, offset = midline_plane(*pairs([1, -2, 2], 3.5, 4, 0))
    assert np.allclose(normal, np.array([1, -2, 2]) / 3)
    assert np.isclose(offset, 3.5)


def test_one_pair_that_slipped_does_not_tilt_the_plane():
    """A landmark slipped by several millimetres: the plane of the others holds."""
    left, right = pairs([1, -2, 2], 3.5, 8, 0.02, seed=1)
    left[3] += [3, 3, -2]
    normal, offset = midline_plane(left, right)
    assert np.degrees(np.arccos(normal @ np.array([1, -2, 2]) / 3)) < 1.5
    assert abs(offset - 3.5) < 0.15


def test_swapped_sides_make_no_other_plane():
    """Left and right of one pair are swapped: the plane between them is the same."""
    left, right = pairs([0, 0, 1], 1, 6, 0)
    left[2], right[2] = right[2].copy(), left[2].copy()
    normal, offset = midline_plane(left, right)
    assert np.allclose(normal, [0, 0, 1])
    assert np.isclose(offset, 1)


@pytest.mark.parametrize("move", [1.5, -1.5])
def test_a_landmark_far_off_the_midline_is_warned_of(tiny, move):
    """A user's roof lies 1.5 mm to one side of the plane: specimen, landmark and distance."""
    line = tiny.read("landmarks/ring/A-3.csv").splitlines()[1]
    cells = line.split(",")
    cells[4] = f"{float(cells[4]) + move:.4f}"
    tiny.edit("landmarks/ring/A-3.csv", line, ",".join(cells))
    told = tiny.check().render(["warning"])
    assert told.count("warning") == 1
    assert (
        "landmarks/ring/A-3.csv\n  warning, line 2, element ring, specimen A-3, landmark roof: The "
        "landmark is 1." in told
    )
    assert "of the bone's extent, though it is on the midline" in told
    listed = "preparation: {distortion: [A-3]}\n"
    tiny.write("study.yaml", tiny.read("study.yaml") + listed)
    assert tiny.check().render(["warning"]) == ""


def test_a_usual_spread_is_no_slip(tiny):
    """Where midline landmarks stray by much in every specimen none is singled out."""
    for i, name in enumerate(tiny.names):
        line = tiny.read(f"landmarks/ring/{name}.csv").splitlines()[1]
        cells = line.split(",")
        cells[4] = f"{float(cells[4]) + (0.9 if i % 2 else -0.9):.4f}"
        tiny.edit(f"landmarks/ring/{name}.csv", line, ",".join(cells))
    assert "though it is on the midline" not in tiny.told()


def test_one_pair_is_too_little_for_a_plane(tiny):
    """Half of the ring is lost: nothing is said of its midline."""
    text = tiny.read("landmarks/ring/A-3.csv").splitlines()
    text[1] = "A-3,ring,,roof,3,5,0"
    text[2] = "A-3,ring,,wing_left,,,"
    tiny.write("landmarks/ring/A-3.csv", "\n".join(text))
    assert "though it is on the midline" not in check_study(tiny.folder)[1].render()
