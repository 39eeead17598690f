"""How problems are collected, ordered and worded."""

import pickle
from pathlib import Path

import pytest

from morpho.study.reading.problems import Problem, Problems, StudyError
from morpho.study.reading.wording import nearest, quoted


def test_problems_are_sorted_by_file_and_line():
    """A user reads the list from top to bottom beside the file."""
    problems = Problems(base=Path("/study"))
    problems.error("second.", "do.", file=Path("/study/b.csv"), line=9)
    problems.warning("first.", "do.", file=Path("/study/b.csv"), line=2)
    problems.note("whole.", "do.", file=Path("/study/a.csv"))
    problems.error("nowhere.", "do.")
    assert problems.render().splitlines()[::1] == [
        "a.csv",
        "  note: whole.",
        "    do.",
        "b.csv",
        "  warning, line 2: first.",
        "    do.",
        "  error, line 9: second.",
        "    do.",
        "the study",
        "  error: nowhere.",
        "    do.",
    ]
    assert problems.count() == "2 errors, 1 warning, 1 note"


def test_a_problem_is_told_once():
    """A file shared by two elements is read for both."""
    problems = Problems()
    for _ in range(2):
        problems.error("x.", "y.", file=Path("a.csv"), line=1)
    assert len(problems) == 1


def test_only_errors_stop_a_study():
    """Warnings and notes raise nothing; the exception tells errors only."""
    problems = Problems()
    problems.warning("w.", "do.")
    problems.raise_if_errors()
    problems.error("e.", "do.")
    with pytest.raises(StudyError) as caught:
        problems.raise_if_errors()
    assert isinstance(caught.value, ValueError)
    assert "e." in str(caught.value)
    assert "w." not in str(caught.value)
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


@pytest.mark.parametrize(("number", "shown"), [(20, 20), (21, 5), (400, 5)])
def test_problems_of_a_kind_are_shortened(number, shown):
    """The same slip in 400 lines fits on a screen; numbers and names do not tell kinds apart."""
    problems = Problems()
    for n in range(number):
        problems.error(f'x is "1,{n}".', "Write a point.", file=Path("a.csv"), line=n + 1)
    problems.error("Another kind.", "Do.", file=Path("a.csv"), line=999)
    told = problems.render()
    assert told.count("Write a point.") == shown
    assert (f"and {number - shown} more like it" in told) == (number > shown)
    assert "Another kind." in told


def test_the_terminal_is_safe_from_cells():
    """A cell with escape codes is shown as text."""
    problems = Problems()
    problems.add(Problem("error", quoted("\x1b[2J\u202eabc"), "Do.", specimen="\x1b]0;x\x07"))
    assert not set(problems.render()) & {"\x1b", "\x07", "\u202e"}


def test_long_cells_are_cut():
    """A cell of a megabyte does not fill the screen."""
    assert len(quoted("x" * 1_000_000)) < 70


@pytest.mark.parametrize(
    ("name", "expected"),
    [("Coronoid-Tip", "coronoid_tip"), ("cornoid_tip", "coronoid_tip"), ("zzz", None)],
)
def test_the_nearest_name(name, expected):
    """A misspelt landmark is put right; a name like none is not."""
    assert nearest(name, ["coronoid_tip", "condyle_front"]) == expected
