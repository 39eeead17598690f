"""Names of files made of other names: each its own, on every disk."""

import pytest

from morpho.study.reading.paths import free_name


def test_a_free_name_is_kept():
    assert free_name("mean_ash", []) == free_name("mean_ash", ["mean_oak"]) == "mean_ash"


@pytest.mark.parametrize("name", ["mean_A/B", "mean_a:b", "MEAN_A_B"])
def test_names_that_a_disk_takes_for_one_are_told_apart(name):
    """Signs that no file name may have become one sign; capitals count as small letters."""
    taken = ["mean_a_b"]
    for number in (2, 3, 4):
        taken.append(free_name(name, taken))
        assert taken[-1].casefold() == f"mean_a_b_{number}"
    assert len({one.casefold() for one in taken}) == 4


def test_a_numbered_name_may_be_taken_as_well():
    assert free_name("a", ["a", "a_2", "A_3"]) == "a_4"


@pytest.mark.parametrize("name", ["..", ".hidden", "a/../../b", "line\nbreak"])
def test_no_name_leaves_its_folder(name):
    found = free_name(name, [])
    assert not found.startswith(".")
    assert "/" not in found
    assert "\n" not in found
