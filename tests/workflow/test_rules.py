"""What a rule says of a step is what the step does."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys
from dataclasses import replace
from operator import attrgetter

import pytest

from morpho.results.figures import FIGURES
from morpho.results.store import ElementResults
from morpho.results.tables import JOINED, TABLES
from morpho.steps.show import supplement
from morpho.study.settings.blocks import Scans, Settings
from morpho.study.settings.config import read_config
from morpho.workflow.heeded import NotHeededError, heeded
from morpho.workflow.plan import Plan
from morpho.workflow.rules import BY_STEP, RULES, outputs, path_of
from morpho.workflow.state import code_of, digests_of_code


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
    assert set(BY_STEP["supplement"].makes) == {f"supplement/{name}" for name in supplement.FILES}


def test_settings_of_rules_are_settings_of_study_yaml():
    """A key that is misspelt would never make anything run again."""
    settings = Settings(scans=Scans())
    for rule in RULES:
        for path in rule.settings or ():
            attrgetter(path)(settings)


def test_what_is_read_is_made_by_a_rule_above():
    made: set[str] = set()
    for rule in RULES:
        plain = {one for one in rule.reads if "/" in one and not one.startswith("every")}
        assert plain <= made, rule.step
        assert set(rule.all_of) <= {r.step for r in RULES} | {"every rule above"}
        made |= set(rule.makes)
    joined = {f"tables/{one}" for one in JOINED}
    for figure in FIGURES.values():
        assert set(figure.reads) <= made | joined, figure.name
    portrayed = {
        one for figure in FIGURES.values() if figure.per == "query" for one in figure.reads
    }
    assert portrayed <= set(BY_STEP["portray"].reads)


def test_wildcards_stand_where_a_rule_is_called_more_than_once():
    for rule in RULES:
        told = "".join(outputs(rule))
        assert ("{element}" in told) == (rule.per != "study"), rule.step


def test_a_setting_that_a_rule_does_not_name_cannot_be_read(made):
    config = read_config(made)
    seen = heeded(config, ("seed", "tests.alpha"))
    assert seen.settings.seed == config.settings.seed
    assert seen.settings.tests.alpha == 0.05
    with pytest.raises(AttributeError):
        _ = seen.settings.no_key
    for path in ("title", "figures", "scans", "tests.permutations", "tests.plain"):
        named = rf"does not name {re.escape(path)} among .*: name it in morpho/workflow/rules\.py"
        with pytest.raises(NotHeededError, match=named):
            attrgetter(path)(seen.settings)
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


def test_a_figure_is_drawn_again_for_its_own_code_and_entry_alone(made, monkeypatch):
    """Another way to draw it, or other data; not for its caption, nor for another figure."""
    jobs = {key: job for key, job in Plan(read_config(made)).jobs.items()
            if job.rule.step in ("draw", "portray")}  # fmt: skip
    digests = digests_of_code()
    before = {key: code_of(job, digests) for key, job in jobs.items()}

    def changed(name, **how):
        other = {name: replace(FIGURES[name], **how)}
        with monkeypatch.context() as patch:
            patch.setattr("morpho.workflow.state.FIGURES", {**FIGURES, **other})
            return {key for key, job in jobs.items() if code_of(job, digests) != before[key]}

    assert len(set(before.values())) == len(FIGURES) - 4  # one job for the five of a query
    assert not changed("growth", caption="Otherwise.", title="Else")
    growth = {"femur/draw/growth", "tibia/draw/growth"}
    assert changed("growth", needs={"table": "table:growth"}) == growth
    assert changed("growth", drawn_by="growth:trajectories") == growth
    assert changed("heat", drawn_by="differences:other") == {"femur/portray", "tibia/portray"}
