"""Differences planted in the demo are found where they were planted, through the steps.

The demo's script moved landmarks of the cave form's two bones by known lengths (`truth.csv`): on
the lower jaw seven of eighteen by 0.4 to 1.4 mm, on the atlas the two tips of the wings by 0.8.
Ten seeds (1 to 10) were run by hand with the settings of this test: on the atlas the two planted
landmarks ranked first and second in 10 of 10; on the jaw the first-ranked landmark was a planted
one in 9 of 10, and the four planted by the most were among the first seven in 9 of 10. Here one
of those seeds is run, and the committed demo is looked at where it has been run for all tests.
"""

from __future__ import annotations

import csv
import shutil
import sys
from importlib import import_module
from pathlib import Path

import pytest
import yaml

from morpho.results.store import ElementResults
from morpho.steps.__main__ import main

HOUSE = Path(__file__).parents[2]
CHAIN = ("prepare", "measure", "slide", "superimpose", "ordinate", "grow", "place", "differ")
QUERY = "CAVE-01"


def _demo(folder, seed):
    """The demo's files made anew in a folder, without the many scans."""
    import_module("demo_landmarks.make_demo").make_demo(seed, folder / "demo_landmarks")
    shutil.copytree(HOUSE / "config" / "schemes", folder / "config" / "schemes")
    study = yaml.safe_load((HOUSE / "config" / "study.yaml").read_text(encoding="utf-8"))
    del study["scans"]
    study["preparation"]["semilandmarks"]["patches"] = False
    path = folder / "config" / "study.yaml"
    path.write_text(yaml.safe_dump(study), encoding="utf-8")
    return path


@pytest.fixture(scope="module", params=[None, 4], ids=["as committed", "seed 4"])
def ranked(request, tmp_path_factory):
    """Of each element, what was planted in mm, and all landmarks from the most displaced on."""
    if request.param is None:
        house = request.getfixturevalue("demo")
    else:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sys, "path", [str(HOUSE), *sys.path])
            study = _demo(tmp_path_factory.mktemp("planted"), request.param)
        house = study.parents[1]
    with open(house / "demo_landmarks" / "truth.csv", encoding="utf-8") as file:
        truth = [row for row in csv.DictReader(file) if row["query"] == QUERY]
    found = {}
    for row in truth:
        element = row["element"]
        for step in CHAIN if request.param is not None else ():
            assert main([step, str(study), element]) == 0, step
        table = ElementResults(house / "results", element).table("displacements")
        table = table[(table["specimen"] == QUERY) & (table["kind"] == "landmark")]
        table = table[table["size_heeded"]].sort_values("in_taxon_sd", ascending=False)
        assert set(table["taxon"]) == {row["nearest_taxon"]}
        lengths = map(float, row["planted_mm"].split(";"))
        planted = dict(zip(row["planted_landmarks"].split(";"), lengths, strict=True))
        found[element] = planted, table.reset_index(drop=True)
    return found


@pytest.mark.long
def test_the_wings_of_the_atlas_come_first(ranked):
    planted, table = ranked["atlas"]
    assert len(planted) == 2
    assert set(table["landmark"][:2]) == set(planted)
    assert (table["p_value_false_discovery"][:2] < 0.05).all()


@pytest.mark.long
def test_the_planted_landmarks_of_the_jaw_come_early(ranked):
    planted, table = ranked["lower_jaw"]
    assert len(table) == 18
    assert table["landmark"][0] in planted
    largest = {name for name, mm in planted.items() if mm > 1}
    assert len(largest) == 4
    assert largest <= set(table["landmark"][:7])


@pytest.mark.long
def test_displacements_are_as_long_as_they_were_planted(ranked):
    """To a factor of two, of those planted by more than half a mm.

    Superimposition spreads some of it over the other landmarks, and the bone varies as any does.
    """
    for planted, table in ranked.values():
        rows = table.set_index("landmark")["displacement_mm"]
        for name, mm in planted.items():
            if mm > 0.5:
                assert 0.5 < rows[name] / mm < 2, name
