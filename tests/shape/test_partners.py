"""Which landmark is on the other side of which: what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.shape.checks import ShapeError
from morpho.shape.symmetry.partners import check_partners, partner_indices

NAMES = ["roof", "wing_left", "wing_right", "joint_left", "joint_right"]
PAIRS = [("wing_left", "wing_right"), ("joint_left", "joint_right")]


def test_partners_by_name():
    partners = partner_indices(NAMES, PAIRS, ["roof"])
    assert partners.tolist() == [0, 2, 1, 4, 3]
    np.testing.assert_array_equal(check_partners(partners, 5), partners)
    assert partner_indices(NAMES[::-1], [p[::-1] for p in PAIRS], ["roof"]).tolist() == [
        1, 0, 3, 2, 4,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("pairs", "midline", "said"),
    [
        ([*PAIRS, PAIRS[0]], ["roof"], "more than once .*: wing_left, wing_right"),
        ([*PAIRS, ("wing_left", "roof")], [], "more than once .*: wing_left"),
        (PAIRS, ["roof", "joint_left"], "more than once .*: joint_left"),
        (PAIRS, ["roof", "roof"], "more than once .*: roof"),
        (PAIRS, ["roof", "floor"], "unknown landmarks: floor"),
        (PAIRS[:1], ["roof"], "in no pair and not on the midline: joint_left, joint_right"),
        ([("wing_left", "wing_left")], NAMES, "two different landmarks"),
        ([("wing_left", "wing_right", "roof")], NAMES, "two different landmarks"),
    ],
)
def test_slips_in_pairs_and_midline_are_named(pairs, midline, said):
    with pytest.raises(ShapeError, match=said):
        partner_indices(NAMES, pairs, midline)


@pytest.mark.parametrize(
    ("partners", "said"),
    [
        ([1, 0], "must hold 3 whole numbers"),
        ([1.0, 0.0, 2.0], "whole numbers"),
        ([1, 0, 3], "between 0 and 2"),
        ([1, 2, 0], r"\[0, 1, 2\] .* mutual"),
        ([0, 1, 2], "pairs no landmarks"),
    ],
)
def test_indices_that_pair_nothing(partners, said):
    with pytest.raises(ShapeError, match=said):
        check_partners(partners, 3)
