"""Pairs of a scheme that are no mirror images, and single digitisations of pairs that are not."""

from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from morpho.study.check import check_study
from morpho.study.landmarks.pairs import mirror_gaps, other_partners

SLIPS = Path(__file__).parents[2] / "demo_landmarks" / "slips_with_queries"
PAIRS = "  - [wing_left, wing_right]\n  - [foot_left, foot_right]\nmidline: [roof]\n"


def moved(tiny, landmark, step, names=None):
    """Move a landmark of the ring, in mm, in some specimens or all."""
    for name in tiny.names if names is None else names:
        path = f"landmarks/ring/{name}.csv"
        line = next(row for row in tiny.read(path).splitlines() if f",{landmark}," in row)
        cells = line.split(",")
        cells[4:] = [f"{float(c) + s:.4f}" for c, s in zip(cells[4:], step, strict=True)]
        tiny.edit(path, line, ",".join(cells))


def larger(tiny):
    """Two more pairs on the ring, so that one slip does not drag the plane along."""
    for number in (1, 2):
        for side, sign in (("left", 1), ("right", -1)):
            knob = f"knob{number}_{side}"
            tiny.edit("schemes/ring.yaml", "landmarks:\n", f"landmarks:\n  - {{name: {knob}}}\n")
            for name in tiny.names:
                path = f"landmarks/ring/{name}.csv"
                row = f"{name},ring,,{knob},{sign * 3 * number},{9 - 6 * number},{4 * number - 7}\n"
                tiny.write(path, tiny.read(path) + row)
        pair = f"[knob{number}_left, knob{number}_right]"
        tiny.edit("schemes/ring.yaml", "pairs:\n", f"pairs:\n  - {pair}\n")


def test_partners_of_exact_pairs_are_found_whatever_is_paired():
    """A bone made symmetric, turned and moved: each landmark's own partner is at no distance."""
    random = np.random.default_rng(2)
    left = random.uniform(1, 6, (5, 3))
    bone = np.vstack([left, left * [-1, 1, 1], random.normal(size=(2, 3)) * [0, 4, 4]])
    bone = bone @ Rotation.random(rng=random).as_matrix() + [30, 2, -7]
    true = np.array([5, 6, 7, 8, 9, 0, 1, 2, 3, 4, 10, 11])
    gaps = mirror_gaps(bone, true)
    assert np.allclose(gaps, gaps.T)
    assert np.allclose(gaps[np.arange(12), true], 0, atol=1e-9)
    assert gaps[0, 6] > 0.5
    crossed = true.copy()
    crossed[[0, 6, 1, 5]] = 6, 0, 5, 1
    assert tuple(true.tolist()) in other_partners(bone, crossed)


@pytest.mark.parametrize(
    ("pairs", "named"),
    [
        (
            "  - [wing_left, foot_right]\n  - [foot_left, wing_right]\nmidline: [roof]\n",
            "wing_left and foot_right are no mirror images of each other",
        ),
        (
            "  - [wing_left, foot_left]\n  - [wing_right, foot_right]\nmidline: [roof]\n",
            "wing_left and foot_left are no mirror images of each other",
        ),
    ],
)
def test_crossed_pairs_are_refused_with_those_that_mend_them(tiny, pairs, named):
    """Pairs written wrong, left with a right that is no partner, or with another left."""
    tiny.edit("schemes/ring.yaml", PAIRS, pairs)
    (error,) = [one for one in tiny.check().errors if "mirror" in one.found]
    assert named in error.found
    assert "The pairs look crossed: [wing_left, wing_right] and [foot_left, foot_right]" in (
        error.found
    )
    assert "would fit in 9 of 9 digitisations" in error.found
    assert error.file == tiny.folder / "schemes/ring.yaml"
    assert error.line == 9
    assert error.element == "ring"


def test_a_partner_on_the_midline_is_refused(tiny):
    larger(tiny)
    tiny.edit(
        "schemes/ring.yaml",
        PAIRS,
        "  - [wing_left, roof]\n  - [foot_left, foot_right]\nmidline: [wing_right]\n",
    )
    (error,) = [one for one in tiny.check().errors if "mirror" in one.found]
    assert "[wing_left, wing_right] and roof on the midline" in error.found


def test_two_specimens_are_too_few_to_refuse(tiny):
    """What few digitisations say is a warning."""
    tiny.edit(
        "schemes/ring.yaml",
        PAIRS,
        "  - [wing_left, foot_right]\n  - [foot_left, wing_right]\nmidline: [roof]\n",
    )
    for name in tiny.names[2:]:
        (tiny.folder / f"landmarks/ring/{name}.csv").unlink()
    problems = tiny.check()
    assert not [one for one in problems.errors if "mirror" in one.found]
    assert len([one for one in problems.warnings if "The pairs look crossed" in one.found]) == 1


def test_a_slipped_landmark_of_one_pair_is_warned_of(tiny):
    """Common practice, no source: both landmarks are named, as either may have slipped."""
    larger(tiny)
    moved(tiny, "foot_right", (0.5, 2.5, 1.0), ["A-3"])
    (warning,) = tiny.check().warnings
    assert warning.specimen == "A-3"
    assert warning.line == 5
    assert warning.found.startswith("foot_left and foot_right are no mirror images of each other: ")
    tiny.write("study.yaml", tiny.read("study.yaml") + "preparation: {distortion: [A-3]}\n")
    assert not tiny.check().warnings


def test_one_uneven_pair_of_every_bone_is_told_once(tiny):
    """Bones whose one foot is far from where the other says: the pair, not each specimen."""
    larger(tiny)
    assert not tiny.check().warnings
    moved(tiny, "foot_right", (1.0, 4.0, 1.5))
    (warning,) = tiny.check().warnings
    assert warning.found.startswith("foot_left and foot_right do not look like mirror images")
    assert warning.file == tiny.folder / "schemes/ring.yaml"
    assert warning.specimen is None


def test_bones_that_are_a_little_uneven_are_no_slips(tiny):
    """One side a twentieth of the bone's extent off in all, and more or less so in each."""
    random = np.random.default_rng(0)
    moved(tiny, "foot_right", (0.3, 0.4, -0.2))
    for name in tiny.names:
        moved(tiny, "wing_left", random.normal(0, 0.25, 3), [name])
    assert "mirror" not in tiny.told()


def test_crossed_pairs_of_the_demo_are_refused_and_true_ones_pass():
    """Truth: slips.csv, whose one row without a specimen has the four landmarks."""
    _, problems = check_study(SLIPS / "crossed_pairs.yaml")
    (error,) = problems.errors
    assert (
        "[wing_front_left, wing_front_right] and [wing_back_left, wing_back_right] would fit"
        in (error.found)
    )
    assert not check_study(SLIPS)[1].errors
