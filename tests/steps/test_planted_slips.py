"""The demo's queries among known specimens with planted slips: no verdict is confidently wrong."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
import yaml

from helpers.told import words_of
from morpho.results.store import ElementResults
from morpho.shape.checks import ShapeError
from morpho.steps.__main__ import main
from morpho.study.settings.config import read_config

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "demo_landmarks"
# Up to the conclusion, without what it does not hang on.
STEPS = (
    "screen", "prepare", "slide", "measure", "superimpose", "ordinate", "grow", "place",
    "calibrate", "vary", "rarefy", "conclude",
)  # fmt: skip
LEAST = {
    "tests": {"permutations": 19},
    "robustness": {"rarefactions": 2, "simulations": 2, "error_draws": 0},
}


@pytest.fixture(scope="module")
def concluded(tmp_path_factory):
    """Run an element of a study; give its results."""
    folder = tmp_path_factory.mktemp("planted") / "study"
    shutil.copytree(DEMO / "slips_with_queries", folder)

    def run(name, element, **settings):
        path = folder / f"{name}.yaml"
        study = yaml.safe_load(path.read_text(encoding="utf-8"))
        study |= LEAST | settings | {"results": f"results_{name}"}
        path.write_text(yaml.safe_dump(study, sort_keys=False), encoding="utf-8")
        with pytest.MonkeyPatch.context() as patch:
            # how well hidden landmarks are found has no part in a verdict, and takes longest
            patch.setattr("morpho.steps.prepare.slide.hide_and_seek", _too_few)
            for step in STEPS:
                assert main([step, str(path), element]) == 0, step
        return ElementResults(read_config(path).results, element)

    return run


def _too_few(*_, **__):
    raise ShapeError("not asked for")


def truths(element):
    table = pd.read_csv(DEMO / "truth.csv", dtype=str)
    return table[table["element"] == element].set_index("query")["truth"].to_dict()


def planted(element):
    table = pd.read_csv(DEMO / "slips_with_queries" / "slips.csv", dtype=str, keep_default_na=False)
    return set(table.loc[table["element"] == element, "specimen"]) - {""}


@pytest.mark.parametrize(
    ("study", "element", "hangs"),
    [
        ("study", "lower_jaw", True),
        ("study", "atlas", False),
        pytest.param("crossed_pairs", "atlas", False, marks=pytest.mark.long),
    ],
)
def test_every_verdict_is_right_or_undecided(concluded, study, element, hangs):
    """And names the suspects."""
    results = concluded(study, element)
    found = words_of(results).set_index("specimen")
    true = truths(element)
    assert set(found.index) == set(true)
    kept = results.table("verdicts").set_index("specimen")["taxon"]
    near = pd.read_csv(DEMO / "truth.csv", dtype=str).set_index(["query", "element"])
    for name, row in found.iterrows():
        assert row["verdict"] in (true[name], "undecided"), name
        if row["verdict"] == "inside":
            assert kept[name] == near.loc[(name, element), "nearest_taxon"]
    assert set(found["suspects"]) >= {"; ".join(sorted(planted(element)))}
    judged = found[found["nearest_taxon"] != ""]
    for text in judged["answer"]:
        assert any(name in text for name in planted(element))
    # what the slips hide is told in the first sentence, and what would be found without them
    first, said, *_ = found.loc["CAVE-01", "answer"].split(". ")
    if hangs:
        assert "hangs on known specimens whose digitisations are suspected" in first
        assert said.endswith("without all suspects it says outside")
    else:
        assert "falls outside every known taxon" in first
        assert "Outside holds without the" in found.loc["CAVE-01", "answer"]
