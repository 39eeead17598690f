"""Which way a landmark lies off and a measurement differs, in the words of the scheme's axes."""

import pytest

from morpho.results.directions import Directions, larger_words, lengths_words
from morpho.study.scheme.parts import opposite

JAW = Directions(["front", "top", "outer side"], ["back", "bottom", "inner side"])


@pytest.mark.parametrize(
    ("moved", "told"),
    [
        ([1.0, 0, 0], "1 mm further forward"),
        ([-1.0, 0, 0], "1 mm further back"),
        ([0, 2.0, 0.1], "2 mm higher"),
        ([0, -2.0, 0], "2 mm lower"),
        ([0, 0, 0.3], "0.3 mm further out"),
        ([0, 0, -0.3], "0.3 mm further in"),
        ([0.5, -0.9, 0.0], "0.9 mm lower and 0.5 mm further forward"),
        ([1.0, 1.0, -1.0], "1 mm further forward, 1 mm higher and 1 mm further in"),
        ([0.0, 0.0, 0.0], ""),
    ],
)
def test_every_way_along_three_axes_has_its_word(moved, told):
    assert JAW.words(moved) == told


@pytest.mark.parametrize(
    ("towards", "away", "forth", "back"),
    [
        ("dorsal", "ventral", "more dorsal", "more ventral"),
        ("Lateral side", "medial side", "more lateral", "more medial"),
        ("left side", "right side", "further left", "further right"),
        ("far end", "near end", "further towards far end", "further towards near end"),
        ("the sea", "", "further towards the sea", "further from the sea"),
    ],
)
def test_other_words_of_the_trade_and_of_the_author(towards, away, forth, back):
    """Anatomical adjectives are compared by more; what nobody knows is said as it stands."""
    directions = Directions([towards, "top", "z"], [away, "bottom", ""])
    assert directions.words([2.0, 0, 0]) == f"2 mm {forth}"
    assert directions.words([-2.0, 0, 0]) == f"2 mm {back}"


def test_without_named_axes_the_signs_are_told_and_what_they_are():
    plain = Directions(["axis 1", "axis 2", "axis 3"], [])
    assert plain.words([0.2, -1.5, 0]) == "1.5 mm towards −y"
    assert plain.frame("", False, True) == (
        "x, y, z: principal axes of the mean shape, as the scheme names none"
    )
    assert not plain.is_width([0, 0, 1])


def test_across_a_symmetric_bone_out_and_in_hold_for_both_sides():
    """The same words for a left landmark that moves left and a right one that moves right."""
    atlas = Directions(["left side", "top", "front"], ["right side", "bottom", "back"], across=0)
    assert atlas.words([0.4, 0, 0], 1.0) == atlas.words([-0.4, 0, 0], -1.0) == "0.4 mm further out"
    assert atlas.words([-0.4, 0, 0], 1.0) == "0.4 mm further in"
    assert atlas.words([0.4, 0, 0]) == "0.4 mm further left"
    assert atlas.frame("", False, False).endswith("out and in: away from and towards the midline")


def test_the_frame_says_whose_side_it_is_and_what_is_only_said():
    assert JAW.frame("right", True, False) == (
        "x: front; y: top; z: outer side; as on a right bone, to which this one was mirrored"
    )
    assert JAW.frame("right", False, False).endswith("as on a right bone")
    assert JAW.frame("", False, True) == "x: front; y: top; z: outer side"
    assert "is the scheme's word" in JAW.frame("left", False, True)


def test_distances_across_are_widths():
    assert JAW.is_width([0.1, 0.1, -3])
    assert not JAW.is_width([2, 0, -3])
    assert not JAW.is_width([3, 0, 0])
    assert Directions(["a", "b", "c"], ["", "", ""], across=1).is_width([0, 1, 0])


@pytest.mark.parametrize(
    ("kind", "difference", "width", "told"),
    [
        ("distance", 0.2, False, "longer"), ("distance", -0.2, False, "shorter"),
        ("distance", 0.2, True, "wider"), ("distance", -0.2, True, "narrower"),
        ("angle", 3.0, False, "larger"), ("ratio", -0.1, False, "smaller"),
        ("distance", 0.0, False, "equal"), ("distance", float("nan"), False, ""),
    ],
)  # fmt: skip
def test_larger_or_smaller_in_the_word_for_the_kind(kind, difference, width, told):
    assert larger_words(kind, difference, width) == told


def test_by_how_much():
    nan = float("nan")
    assert lengths_words("wider", 0.42, 6.04, "mm") == "0.42 mm or 6.04 % wider"
    assert lengths_words("smaller", -3.0, nan, "degrees") == "3 degrees smaller"
    assert lengths_words("larger", 0.1, 12.0, "ratio") == "12 % larger"
    assert lengths_words("", nan, nan, "mm") == ""


def test_opposites_lead_back():
    """Common practice, no source: the pairs of directions that anatomists use."""
    for word in ("front", "top", "left side", "outer face", "dorsal", "medial", "proximal"):
        assert opposite(opposite(word)) == word
    assert opposite("caudal") == "cranial"
    assert opposite("distal") == "proximal"
    assert opposite("front of the hall") == ""
