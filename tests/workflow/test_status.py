"""What `formkin status` tells, in words, of results that hold and of those that do not."""

from __future__ import annotations

import json
import re
from hashlib import sha256

import pytest

from morpho import __version__
from morpho.cli import main


def test_results_that_match(copy, capsys):
    """A user asks whether results are still those of the files: they are."""
    folder = copy()
    assert main(["status", str(folder)]) == 0
    told = capsys.readouterr().out
    assert told.startswith(f"An invented study: results made with formkin {__version__}, ")
    assert re.fullmatch(
        r"The results match: 5 inputs, every setting, the program and \d+ files of results are as "
        "they were.",
        told.splitlines()[-1],
    )


def test_comments_and_own_files_are_told_and_do_not_count(copy, capsys):
    folder = copy()
    path = folder / "study.yaml"
    path.write_text(path.read_text(encoding="utf-8") + "# a thought\n", encoding="utf-8")
    (folder / "results" / "my notes.txt").write_text("x")
    assert main(["status", str(folder)]) == 0
    told = capsys.readouterr().out
    assert "study.yaml was edited, but every setting is as it was" in told
    assert "my notes.txt was not made by the run" in told


def test_long_lists_are_cut(copy, capsys):
    folder = copy()
    for i in range(20):
        path = folder / "landmarks" / "femur" / f"more {i}.csv"
        path.write_text("specimen,replicate,landmark,x,y,z\n")
    assert main(["status", str(folder)]) == 3
    told = capsys.readouterr().out
    assert "  and 8 more\n" in told
    last = told.splitlines()[-1]
    assert re.match(r"The results no longer match: \d+ steps to do\. Run the study again: ", last)


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"format": 0}', "null"])
def test_a_broken_provenance_is_made_again(copy, text, capsys):
    folder = copy()
    (folder / "results" / "provenance.json").write_text(text)
    assert main(["status", str(folder)]) == 3
    told = capsys.readouterr().out
    assert "provenance.json was edited by hand" in told
    assert "not complete" in told


def test_a_study_that_cannot_be_read(copy, capsys):
    folder = copy()
    (folder / "study.yaml").write_text("title: [")
    assert main(["status", str(folder)]) == 1
    assert "study.yaml" in capsys.readouterr().err
    assert main(["status", str(folder / "nowhere")]) == 1
    assert "error" in capsys.readouterr().err


def test_no_sum_of_what_is_private_is_kept(made):
    """A locality has no bearing on results; its sum would let somebody try out guesses."""
    whole = sha256((made / "specimens.csv").read_bytes()).hexdigest()
    public = json.loads((made / "results" / "provenance.json").read_text())["inputs"]
    kept = [*(made / "results" / "records").rglob("*.json"), made / "results/provenance.json"]
    assert len(kept) > 60
    for path in kept:
        assert whole not in path.read_text(encoding="utf-8"), path
    record = json.loads((made / "results" / "records" / "check.json").read_text())
    assert record["inputs"]["specimens.csv"] == public["specimens.csv"]
