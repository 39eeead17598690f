"""The check of a study warns of suspected slips of digitising, whatever else is wrong with it."""

import csv
from pathlib import Path

import pandas as pd
import pytest

from morpho.cli import main
from morpho.steps.prepare.suspected import check_and_screen

ROOT = Path(__file__).parents[2]
SLIPS = ROOT / "demo_landmarks" / "slips_with_queries"


def warned(problems):
    return [
        (problem.element, problem.specimen, problem.found)
        for problem in problems.warnings
        if "slip is suspected" in problem.found
    ]


def of_a_wrong_side(invent):
    """Left bones, the third of which is called right."""
    study = invent({"ash": 6, "birch": 6}, {"find": "ash"}, side="left")
    study.scheme["symmetry"] = "matching"
    study.rows[2]["side"] = "right"
    study.write()
    return study


def test_planted_slips_are_told_on_the_screen_with_their_places(capsys):
    """Truth: slips.csv. The bone of the wrong side, and names exchanged in a jaw and an atlas."""
    assert main(["check", str(SLIPS)]) == 0
    told = capsys.readouterr().out
    with (SLIPS / "slips.csv").open(encoding="utf-8") as file:
        slips = [slip for slip in csv.DictReader(file) if slip["specimen"]]
    # the pair of the atlas that the exchange puts off is told as well, and nothing else
    assert told.count("warning, ") == len(slips) + 1 == 4
    assert told.count("are no mirror images of each other") == 1
    for slip in slips:
        table = (SLIPS / "landmarks" / f"{slip['element']}.csv").read_text(encoding="utf-8")
        marks = slip["landmarks"].split(";")
        lines = [
            number
            for number, line in enumerate(table.splitlines(), 1)
            if line.startswith(f"{slip['specimen']},") and (line.split(",")[1] in marks or not
                                                            marks[0])
        ]  # fmt: skip
        start = f"warning, line {lines[0]}, element {slip['element']}, specimen {slip['specimen']}:"
        lines = [line for line in told.splitlines() if line.strip().startswith(start)]
        (line,) = [line for line in lines if "are no mirror images" not in line]
        assert "once that is mended" in line
        if slip["kind"] == "side":
            side = pd.read_csv(SLIPS / "specimens.csv", index_col=0).at[slip["specimen"], "side"]
            other = {"left": "right", "right": "left"}[side]
            assert f"what a {side} bone should be: it is probably a {other} one" in line
        else:
            assert f"{marks[0]} and {marks[1]} are probably exchanged" in line
    assert "read the warnings first" in told


@pytest.mark.slow
def test_a_clean_study_has_no_suspicion():
    """The demo, in which nothing is planted."""
    _, problems = check_and_screen(ROOT / "config", scans=False)
    assert not problems.warnings


def test_the_run_writes_them_into_its_table(invent):
    study = of_a_wrong_side(invent)
    assert study.step("check") == 0
    table = pd.read_csv(study.config.results / "check.csv")
    told = table[table["found"].str.contains("slip is suspected")]
    assert told["specimen"].tolist() == [study.names[2]]
    assert told["severity"].tolist() == ["warning"]
    assert (told["line"] > 1).all()


def test_other_faults_do_not_hide_them(invent):
    """A cell that is no number in one specimen, and a bone of the wrong side in another."""
    study = of_a_wrong_side(invent)
    path = study.folder / "landmarks/bone/all.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    row = next(i for i, line in enumerate(lines) if line.startswith(f"{study.names[7]},"))
    lines[row] = lines[row].rpartition(",")[0] + ",1O.5"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    _, problems = check_and_screen(study.folder)
    assert [p.specimen for p in problems.errors] == [study.names[7]]
    assert [specimen for _, specimen, _ in warned(problems)] == [study.names[2]]


@pytest.mark.parametrize("factor", [1e150, 1e-150, 1e300])
def test_numbers_that_no_bone_has_do_not_stop_the_check(invent, factor):
    study = invent()
    study.shapes["bone"] *= factor
    study.write()
    _, problems = check_and_screen(study.folder)
    assert problems.count()


def test_too_few_digitisations_are_told(invent):
    study = invent({"ash": 2}, {"find": "ash"})
    _, problems = check_and_screen(study.folder)
    assert [p.found for p in problems if "Slips of digitising" in p.found] == [
        "Slips of digitising were not looked for: Screening needs at least 4 digitisations with "
        "four landmarks or more, but there are 3."
    ]


def test_a_size_is_told_once(invent):
    """A bone ten times its fellows: the check of sizes says so, and screening not again."""
    study = invent()
    study.shapes["bone"][3] *= 10
    study.write()
    _, problems = check_and_screen(study.folder)
    assert sum(p.specimen == study.names[3] for p in problems if p.severity != "note") == 1


def test_a_size_that_the_check_of_sizes_lets_pass_is_told(invent):
    study = invent({"ash": 9, "birch": 9}, landmarks=12, same_size=True)
    study.shapes["bone"][3] *= 2.54
    study.write()
    _, problems = check_and_screen(study.folder)
    assert [specimen for _, specimen, _ in warned(problems)] == [study.names[3]]
