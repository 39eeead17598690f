"""What a rule says of a step is what the step does."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys

import pytest

from morpho.report.captions import CAPTIONS
from morpho.results.store import ElementResults
from morpho.results.tables import JOINED, TABLES
from morpho.steps.show import draw, supplement
from morpho.study.reading.schemas import load_schema
from morpho.study.settings.config import read_config
from morpho.workflow.code_digest import CodeDigests
from morpho.workflow.heeded import NotHeededError, heeded
from morpho.workflow.plan import Plan
from morpho.workflow.rules import (
    BY_STEP,
    DRAWN_BY,
    FIGURES,
    FIGURES_JOINED,
    RULES,
    outputs,
    path_of,
)
from morpho.workflow.state import PACKAGE


def test_what_there_is_to_make_is_looked_up_quickly():
    """Rules and what is told of tables are plain data: each start of a run reads them."""
    script = "import sys, morpho.workflow.rules; print(*{n.split('.')[0] for n in sys.modules})"
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert "morpho" in ran.stdout.split()
    assert not {"numpy", "pandas", "matplotlib", "jinja2", "yaml"} & set(ran.stdout.split())


def test_every_step_of_a_rule_is_there():
    for rule in RULES:
        assert callable(importlib.import_module(f"morpho.{rule.module}").run), rule.step


def test_tables_and_figures_are_made_by_a_rule():
    made = {one.split("/")[1] for rule in RULES for one in rule.makes if one.startswith("tables/")}
    assert made == set(TABLES)
    combined = {path.split("/")[-1].removesuffix(".csv") for path in BY_STEP["combine"].makes}
    assert combined == set(JOINED)
    assert {*FIGURES, *FIGURES_JOINED} == set(DRAWN_BY) == {*CAPTIONS, "proportions"}
    assert set(BY_STEP["supplement"].makes) == {f"supplement/{name}" for name in supplement.FILES}


def _keys(schema, above=""):
    found = set()
    for key, part in schema.get("properties", {}).items():
        found |= {f"{above}{key}"} | _keys(part, f"{above}{key}.")
    return found


def test_settings_of_rules_are_settings_of_study_yaml():
    """A key that is misspelt would never make anything run again."""
    known = _keys(load_schema("study"))
    for rule in RULES:
        assert set(rule.settings or ()) <= known, rule.step


def test_what_is_read_is_made_by_a_rule_above():
    made: set[str] = set()
    for rule in RULES:
        plain = {one for one in rule.reads if "/" in one and not one.startswith("every")}
        assert plain <= made, rule.step
        assert set(rule.all_of) <= {r.step for r in RULES} | {"every rule above"}
        made |= set(rule.makes)
    for name, reads in (FIGURES | FIGURES_JOINED).items():
        joined = {f"tables/{one}" for one in JOINED}
        assert set(reads) <= made | joined, name


def test_wildcards_stand_where_a_rule_is_called_more_than_once():
    for rule in RULES:
        told = "".join(outputs(rule))
        assert ("{element}" in told) == (rule.per != "study"), rule.step
        assert ("{name}" in told, "{figure}" in told) == (
            rule.per == "specimen", rule.per == "figure",
        )  # fmt: skip


def test_a_setting_that_a_rule_does_not_name_cannot_be_read(made):
    config = read_config(made)
    seen = heeded(config, ("seed", "tests.alpha"))
    assert seen.settings["seed"] == config.settings["seed"]
    assert seen.settings["tests"]["alpha"] == 0.05
    assert seen.settings.get("not a key") is None
    for look in (
        lambda: seen.settings["title"],
        lambda: seen.settings.get("figures"),
        lambda: "report" in seen.settings,
        lambda: seen.settings["tests"]["permutations"],
    ):
        with pytest.raises(NotHeededError, match=r"name it in morpho/workflow/rules\.py"):
            look()
    assert heeded(config, None) is config


@pytest.fixture
def read(monkeypatch):
    """Collects what steps read of the results of an element."""
    found: set[str] = set()
    forms = {"arrays": "arrays/{}", "table": "tables/{}", "notes": "notes/{}"}
    for kind, form in forms.items():
        plain = getattr(ElementResults, kind)

        def reading(self, name, form=form, plain=plain):
            found.add(path_of(self.element, form.format(name)))
            return plain(self, name)

        monkeypatch.setattr(ElementResults, kind, reading)
    return found


# Read every result, or none of an element.
_ELSEWHERE = ("check", "carry", "archive", "finish")


def test_a_step_reads_what_its_rule_says_and_all_of_it(copy, read, monkeypatch):
    """Or a changed result would leave an old one standing, or nothing would make it run again."""
    monkeypatch.setattr("morpho.drawing.saving.save_figure", lambda *_: [])
    config = read_config(copy())
    for job in Plan(config).jobs.values():
        if job.rule.step in _ELSEWHERE or job.element == "tibia":
            continue
        read.clear()
        seen = heeded(config, job.rule.settings)
        module = importlib.import_module(f"morpho.{job.rule.module}")
        results = (ElementResults(config.results, job.element),) if job.element else ()
        module.run(seen, *([job.element] if job.element else []), *results,
                   *([job.name] if job.name else []))  # fmt: skip
        # of figures the files are read, and tables that only some steps leave
        said = {path for path in job.reads if not path.endswith((".svg", "check.csv"))}
        own = {path for path in job.makes if path in read}
        assert read - own <= said, job.key
        if job.rule.step not in ("report", "supplement", "warp", "portray"):
            assert said <= read, job.key


def test_the_module_of_a_figure_is_what_the_step_takes_it_from(made):
    """The digest of a figure's code is that of the module that draws it."""
    digests = CodeDigests(PACKAGE)
    imported = digests.imported("steps.show.draw")
    for figure, module in DRAWN_BY.items():
        assert f"drawing.{module}" in imported, figure
        source = (PACKAGE / "steps" / "show" / "draw.py").read_text(encoding="utf-8")
        assert re.search(rf'"{figure}": lambda: \w+\.', source), figure
    assert callable(draw.run)
