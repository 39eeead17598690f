"""The runner of steps: how it is called, and what it says when it cannot."""

import numpy as np
import pytest

from morpho.steps.__main__ import STEPS, main


@pytest.mark.parametrize("arguments", [[], ["place"], ["dance", "study.yaml"]])
def test_a_wrong_call_is_told_how_to_call(arguments, capsys):
    assert main(arguments) == 2
    told = capsys.readouterr().out
    assert all(step in told for step in STEPS)


@pytest.mark.parametrize("step", ["check", "prepare"])
def test_a_study_that_is_not_there(step, tmp_path, capsys):
    assert main([step, str(tmp_path / "study.yaml"), "bone"]) == 1
    assert "study.yaml" in capsys.readouterr().err


def test_a_mistake_in_a_table_is_told_and_nothing_is_written(invent, capsys):
    study = invent()
    path = study.folder / "landmarks/bone/all.csv"
    lines = path.read_text().splitlines()
    lines[1] = "ash 1,,point_1,much,0,0"
    path.write_text("\n".join(lines))
    capsys.readouterr()
    for step, element in (("check", ()), ("prepare", ("bone",))):
        assert study.step(step, *element) == 1
        told = capsys.readouterr().err
        assert "all.csv" in told
        assert '"much"' in told
    assert not study.config.results.exists()


def test_look_writes_nothing(invent, capsys):
    study = invent()
    assert study.step("check", "look") == 0
    assert capsys.readouterr().err == ""
    assert not study.config.results.exists()


def test_shapes_that_cannot_be_worked_on_are_told_with_step_and_element(invent, capsys):
    """A mistake that only geometry finds: step and element are named, without a traceback."""
    study = invent()
    study.analyse()
    arrays = study.results().arrays("configurations")
    arrays["coordinates"] = np.zeros_like(arrays["coordinates"])
    study.results().write_arrays("configurations", **arrays)
    capsys.readouterr()
    assert study.step("superimpose", "bone") == 1
    assert capsys.readouterr().err.startswith("superimpose, bone: ")


def test_a_bug_shows_its_traceback(invent):
    """What is no trouble of the user's data is not hidden."""
    study = invent()
    with pytest.raises(FileNotFoundError):
        study.step("superimpose", "bone")


def test_a_figure_that_fails_leaves_the_old_one(invent):
    """A table broken after the first run: the figure of before stays, whole, and alone."""
    study = invent()
    study.analyse()
    assert study.step("draw", "bone", "growth") == 0
    folder = study.results().folder
    before = {path.name: path.read_bytes() for path in (folder / "figures").iterdir()}
    assert set(before) == {"growth.svg", "growth.pdf", "growth.png"}
    (folder / "tables" / "growth.csv").write_text("specimen,role\na,known\n")
    with pytest.raises(KeyError):
        study.step("draw", "bone", "growth")
    assert {path.name: path.read_bytes() for path in (folder / "figures").iterdir()} == before


def test_figures_carry_no_date_and_no_program(invent):
    """The same figure has the same bytes on another day; nothing tells who made it."""
    study = invent()
    study.analyse()
    folder = study.results().folder / "figures"
    assert study.step("draw", "bone", "variance_per_axis") == 0
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert study.step("draw", "bone", "variance_per_axis") == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    for content in before.values():
        assert b"CreationDate" not in content
        assert b"<dc:date>" not in content
