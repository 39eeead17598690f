"""Settings: each key is described once, and seen wherever keys are told."""

from dataclasses import make_dataclass
from operator import attrgetter
from typing import Literal

import pytest
import yaml

from helpers.defaults import with_defaults
from morpho.study.reading.explained import file_to_fill_in, table_of_keys
from morpho.study.reading.problems import Problems
from morpho.study.reading.schemas import check_against
from morpho.study.reading.yaml_file import Document
from morpho.study.settings import blocks
from morpho.study.settings.blocks import Settings, key
from morpho.study.settings.config import read_config
from morpho.study.settings.schema import study_schema
from morpho.workflow.heeded import NotHeededError, Seen, heeded
from morpho.workflow.plan import Job, Plan
from morpho.workflow.provenance import flat_settings
from morpho.workflow.rules import RULES

LEAST = {
    "title": "Kin",
    "specimens": {"file": "specimens.csv"},
    "landmarks": {"files": "landmarks/*.csv"},
    "elements": {"jaw": {"scheme": "jaw.yaml"}},
}


def with_key(name, kind, described):
    """Settings as they were if the block of the tests had one more line."""
    more = make_dataclass("Tests", [(name, kind, described)], bases=(blocks.Tests,), frozen=True)
    more.__doc__ = blocks.Tests.__doc__
    changed = ("tests", more, key(more))
    return make_dataclass("Settings", [changed], bases=(Settings,), frozen=True)


@pytest.fixture
def grown():
    return with_key("level_of_slopes", float, key(0.1, "Level of equal slopes.", above=0, most=0.5))


def test_a_new_key_is_asked_for_told_and_read(grown):
    """One line in a block: schema, refusal, file to fill in, table and default follow."""
    schema = study_schema(grown)
    assert schema["properties"]["tests"]["properties"]["level_of_slopes"] == {
        "type": "number",
        "exclusiveMinimum": 0,
        "maximum": 0.5,
        "default": 0.1,
        "description": "Level of equal slopes.",
    }
    assert "level_of_slopes" not in study_schema()["properties"]["tests"]["properties"]
    told = file_to_fill_in(schema)
    assert "#   # Level of equal slopes. Above 0 and at most 0.5.\n#   level_of_slopes: 0.1" in told
    row = "| `tests.level_of_slopes` | number, above 0 and at most 0.5 | Level of equal slopes. |"
    assert f"{row} `0.1` |" in table_of_keys(schema)
    assert grown.of(LEAST).tests.level_of_slopes == 0.1
    assert grown.of(LEAST | {"tests": {"level_of_slopes": 0.2}}).tests.level_of_slopes == 0.2


def test_a_new_key_is_held_to_its_bounds(grown, tmp_path):
    problems = Problems()
    data = LEAST | {"tests": {"level_of_slopes": 0.7, "level_of_slope": 0.1}}
    document = Document(tmp_path / "study.yaml", data)
    bad = check_against(document, study_schema(grown), problems)
    assert bad == {("tests", "level_of_slopes"), ("tests", "level_of_slope")}
    text = problems.render(["error"])
    assert "tests.level_of_slopes is 0.7." in text
    assert "It must be a number, above 0 and at most 0.5." in text
    assert "Did you mean level_of_slopes?" in text


def test_a_new_key_is_seen_where_the_rule_names_it(grown):
    settings = grown.of(LEAST)
    assert Seen(settings, ("tests.level_of_slopes",)).tests.level_of_slopes == 0.1
    with pytest.raises(NotHeededError, match=r"does not name tests\.level_of_slopes"):
        _ = Seen(settings, ("tests.alpha",)).tests.level_of_slopes
    assert flat_settings(settings.plain())["tests.level_of_slopes"] == 0.1


def test_a_new_choice_is_told(grown):
    schema = study_schema(with_key("way", Literal["by_hand", "alone"], key("alone", "How.")))
    assert "#   # How. One of: by_hand or alone.\n#   way: alone\n" in file_to_fill_in(schema)
    assert '| `tests.way` | `by_hand`, `alone` | How. | `"alone"` |' in table_of_keys(schema)


def test_defaults_of_the_schema_are_those_of_the_settings():
    assert Settings.of(LEAST).plain() == with_defaults(LEAST, study_schema())
    data = LEAST | {"scans": {"files": "{specimen}.ply"}}
    assert Settings.of(data).plain() == with_defaults(data, study_schema())


def test_a_default_written_out_is_the_same_as_one_left_away():
    plain = Settings.of(LEAST)
    spelt = Settings.of(yaml.safe_load(yaml.safe_dump(plain.plain())))
    assert spelt == plain
    assert flat_settings(spelt.plain()) == flat_settings(plain.plain())


def test_settings_cannot_be_changed_and_share_nothing():
    one, other = Settings(), Settings()
    with pytest.raises(AttributeError):
        one.seed = 3
    one.model.terms.append("sex")
    assert other.model.terms == study_schema()["properties"]["model"]["properties"]["terms"][
        "default"
    ] == ["size", "taxon"]  # fmt: skip


def test_what_a_step_may_see_is_what_makes_it_run_again(tiny):
    config = read_config(tiny.path)
    flat = flat_settings(config.settings.plain())
    # where files are the plan finds for every rule
    paths = [path for path in flat if not path.startswith(("elements.", "results"))]
    assert {"tests.alpha", "specimens.private", "specimens.columns"} <= set(paths)
    for rule in RULES:
        digested = Plan(config).settings(Job(rule, "jaw"))
        seen = heeded(config, rule.settings).settings
        for path in paths:
            try:
                attrgetter(path)(seen)
            except NotHeededError:
                assert path not in digested, rule.step
            else:
                assert path in digested, rule.step
