"""The digest of a step's sources follows imports, and nothing else."""

import ast
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from morpho.results.tables import TABLES
from morpho.study.settings.config import read_config
from morpho.workflow.code_digest import CodeDigests, _meaning
from morpho.workflow.plan import Plan
from morpho.workflow.rules import BY_STEP, RULES
from morpho.workflow.state import code_of

HOUSE = Path(__file__).parents[2] / "morpho"
DIGESTS = CodeDigests(HOUSE)
FILES = {
    "steps/__init__.py": "",
    "steps/__main__.py": "",
    "steps/files.py": "",
    "steps/place.py": "from pack.shape.size import size\nfrom . import sample\n",
    "steps/sample.py": "def late():\n    from pack.study import deep\n",
    "steps/report.py": "import pack.shape\n",
    "shape/__init__.py": "",
    "shape/size.py": "from .checks import check\nimport numpy\n",
    "shape/checks.py": "from ..study.tables import read\n",
    "study/__init__.py": "from .deep import one\n",
    "study/tables.py": "",
    "study/deep.py": "",
    "study/other.py": "",
    "study/page.css.jinja": "",
}


@pytest.fixture
def package(tmp_path):
    for name, text in FILES.items():
        path = tmp_path / "pack" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return tmp_path / "pack"


def digest(package, step="steps.place"):
    """What a new process would find: nothing remembered."""
    return CodeDigests(package).of(step)


@pytest.mark.parametrize(
    "changed",
    [
        "steps/place.py", "steps/sample.py", "shape/size.py", "shape/checks.py",
        "study/tables.py", "study/__init__.py", "study/deep.py", "shape/__init__.py",
        "study/page.css.jinja",
    ],
)  # fmt: skip
def test_a_change_anywhere_below_changes_the_digest(package, changed):
    """Direct, relative, late and transitive imports, packages passed through, and templates."""
    before = digest(package)
    (package / changed).write_text(FILES[changed] + "\nchanged = 1\n")
    assert digest(package) != before


@pytest.mark.parametrize("changed", ["study/other.py", "steps/report.py", "steps/__main__.py"])
def test_a_change_elsewhere_does_not(package, changed):
    """A module that the step does not import; the runner does no work of the step's."""
    before = digest(package)
    (package / changed).write_text(FILES[changed] + "\nchanged = 1\n")
    assert digest(package) == before


def test_what_is_for_type_checkers_alone_is_not_followed(package):
    text = "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from pack.study import other\n"
    path = package / "steps/sample.py"
    path.write_text(FILES["steps/sample.py"] + text)
    before = digest(package)
    (package / "study/other.py").write_text("changed = 1\n")
    assert digest(package) == before
    path.write_text(path.read_text().replace("if TYPE_CHECKING", "if True"))
    assert digest(package) != before


def test_a_source_that_cannot_be_parsed_counts_by_its_bytes(package):
    before = digest(package)
    (package / "shape/size.py").write_text("def broken(:\n")
    assert digest(package) != before


def test_the_digest_does_not_depend_on_where_the_package_lies(package, tmp_path):
    shutil.copytree(package, tmp_path / "moved" / "pack")
    assert digest(package) == digest(tmp_path / "moved" / "pack")


def test_what_is_kept_gives_the_same_and_is_never_trusted_for_another_text(package, tmp_path):
    kept = tmp_path / "code" / "digests.json"
    first = CodeDigests(package)
    wanted = first.of("steps.place")
    first.keep(kept)
    again = CodeDigests(package)
    again.recall(kept)
    assert again.of("steps.place") == wanted
    (package / "shape/size.py").write_text("changed = 1\n")
    other = CodeDigests(package)
    other.recall(kept)
    assert other.of("steps.place") == digest(package) != wanted
    kept.write_text("[1, 2")
    CodeDigests(package).recall(kept)


PLAIN = """
\"\"\"What it is for.\"\"\"
import os

LIMIT = 0.05

def size(x, *, scale=1):
    \"\"\"Say the size.\"\"\"
    if x < LIMIT:
        return f"{x:.3f} mm"
    return scale * (x + 1)
"""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("What it is for.", "What it is good for."),
        ("Say the size.", "Tell it."),
        ('    """Say the size."""\n', ""),
        ("import os", "import os  # paths"),
        ("scale * (x + 1)", "(scale * (x + 1))"),
        ("(x, *, scale=1)", "(\n    x,\n    *,\n    scale=1,\n)"),
        ('f"{x:.3f} mm"', "f'{x:.3f} mm'"),
        ("import os", "import os\n# a thought\n"),
    ],
)
def test_how_a_module_is_written_means_nothing(old, new):
    """Comments, docstrings, brackets, quotes and lines."""
    assert old in PLAIN
    assert _meaning(PLAIN.replace(old, new).encode()) == _meaning(PLAIN.encode())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("0.05", "0.051"), ("0.05", "'0.05'"), ("<", "<="), ("scale=1", "scale=True"),
        ("+ 1", "- 1"), (".3f", ".4f"), (" mm", " cm"), ("import os", "import sys"),
        ("*, scale", "scale"), ("LIMIT = 0.05", "LIMIT = -0.05"), ("return scale *", "scale *"),
        ("    if x", "    'not a docstring'; x = x\n    if x"),
    ],
)  # fmt: skip
def test_what_a_module_does_counts(old, new):
    assert old in PLAIN
    assert _meaning(PLAIN.replace(old, new).encode()) != _meaning(PLAIN.encode())


def test_every_constant_of_the_program_counts():
    """Each number and text of a module, changed one at a time, is noticed."""
    for name in (
        "inference/membership/verdict.py",
        "inference/robustness/conclusion.py",
        "shape/tangent.py",
    ):
        source = (HOUSE / name).read_bytes()
        before, tree = _meaning(source), ast.parse(source)
        told = {
            id(one.body[0].value)
            for one in ast.walk(tree)
            if isinstance(one, (ast.Module, ast.ClassDef, ast.FunctionDef)) and one.body
            and isinstance(one.body[0], ast.Expr)
        }  # fmt: skip
        constants = [
            one for one in ast.walk(tree)
            if isinstance(one, ast.Constant) and id(one) not in told and one.value is not None
        ]  # fmt: skip
        assert len(constants) > 5
        for one in constants:
            kept, one.value = one.value, "something else"
            assert _meaning(ast.unparse(tree).encode()) != before, (name, kept)
            one.value = kept
        assert _meaning(ast.unparse(tree).encode()) == before


@pytest.mark.slow
def test_steps_are_followed_as_python_imports_them():
    """What Python loads for a step is in its digest."""
    script = (
        "import sys\n"
        "from morpho.{module} import *\n"
        "print(*(name for name in sys.modules if name.startswith('morpho.')))"
    )
    for step in ("check", "place", "report"):
        command = [sys.executable, "-c", script.format(module=BY_STEP[step].module)]
        ran = subprocess.run(command, capture_output=True, text=True, check=True, cwd=HOUSE.parent)
        loaded = {name.removeprefix("morpho.") for name in ran.stdout.split()}
        found, waiting = set(), [BY_STEP[step].module]
        while waiting:
            name = waiting.pop()
            found.add(name)
            waiting += DIGESTS.imported(name) - found
        packages = {name for name in loaded if (HOUSE / name.replace(".", "/")).is_dir()}
        assert loaded - packages <= found, step


@pytest.mark.parametrize("step", ["prepare", "superimpose", "ordinate", "grow", "compare",
                                  "discriminate"])  # fmt: skip
def test_steps_that_give_no_verdict_do_not_run_again_for_its_procedure(step):
    """A change in how a verdict is reached leaves shapes, axes and models alone."""
    found, waiting = set(), [BY_STEP[step].module]
    while waiting:
        name = waiting.pop()
        found.add(name)
        waiting += DIGESTS.imported(name) - found
    trials = {"judging", "reanalysis", "calibration", "stability", "adequacy", "conclusion"}
    assert not found & {f"inference.robustness.{name}" for name in trials - {"judging"}}
    assert "inference.membership.judging" not in found


# Steps that write words, and those that pack and record them.
WORDS = {"check", "supplement", "report", "archive", "finish"}


def _reach(module):
    """Steps that run a module."""
    return {rule.step for rule in RULES if module in DIGESTS.modules(rule.module)}


def test_a_changed_sentence_makes_five_jobs_run_and_no_more():
    """Numbers do not hang on words: only the page, the words and the archive are made anew."""
    modules = [path.relative_to(HOUSE).with_suffix("") for path in HOUSE.glob("report/**/*.py")]
    assert len(modules) > 12
    for path in modules:
        assert _reach(".".join(path.parts)) <= WORDS, path
    assert {"supplement", "archive"} <= _reach("report.words.verdict")


def test_what_is_said_of_a_table_counts_for_the_steps_that_show_it():
    """A changed _meaning or heading computes nothing anew."""
    told = [path.stem for path in (HOUSE / "results" / "tables").glob("*.py")]
    assert len(told) > 8
    for name in told:
        module = "results.tables" if name == "__init__" else f"results.tables.{name}"
        assert {"report", "supplement", "archive"} <= _reach(module) <= WORDS, name
    assert _reach("results.describing") == {rule.step for rule in RULES}


@pytest.mark.whole
def test_another_kind_of_column_counts_for_those_who_read_or_make_the_table(made, monkeypatch):
    """A number that is read as text is another, wherever it is read."""
    plan = Plan(read_config(made))
    before = {key: code_of(job, DIGESTS) for key, job in plan.jobs.items()}
    about = TABLES["canonical_axes"]
    first, *rest = about.columns
    for changed in (first.here(kind="text"), first.here(name="other")):
        other = replace(about, columns=(changed, *rest))
        monkeypatch.setitem(TABLES, "canonical_axes", other)
        now = {key: code_of(job, DIGESTS) for key, job in plan.jobs.items()}
        met = {plan.jobs[key].rule.step for key in before if before[key] != now[key]}
        assert met == {"discriminate", "draw", "supplement", "report"}
        figures = {plan.jobs[key].name for key in before if before[key] != now[key]}
        assert figures == {"", "canonical_axes"}
    worded = replace(about, meaning="otherwise", columns=(first.here(meaning="other"), *rest))
    monkeypatch.setitem(TABLES, "canonical_axes", worded)
    assert before == {key: code_of(job, DIGESTS) for key, job in plan.jobs.items()}


def test_a_changed_colour_draws_again_and_computes_nothing():
    drawn = {"draw", "portray", "report", "supplement", "archive", "finish"}
    assert {"draw", "portray"} <= _reach("drawing.style") <= drawn
    # surfaces are painted like the figures of heat
    assert _reach("drawing.bone.heat") <= drawn | {"warp"}


def test_the_settings_of_the_study_are_known_by_their_values():
    """Steps take the study for its type: a new key or message of the intake runs none of them."""
    assert not _reach("cli")
    for module in ("blocks", "schema", "config"):
        assert _reach(f"study.settings.{module}") <= WORDS
    assert "check" in _reach("study.settings.blocks")
