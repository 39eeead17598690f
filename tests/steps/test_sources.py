"""The digest of a step's sources follows imports, and nothing else."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from morpho.steps import sources
from morpho.steps.__main__ import STEPS
from morpho.steps.files import ElementResults
from morpho.steps.sources import code_digest, imported_modules

HOUSE = Path(sources.__file__).parents[1]
FILES = {
    "steps/__init__.py": "",
    "steps/__main__.py": "",
    "steps/files.py": "",
    "steps/place.py": "from pack.shape.size import size\nfrom . import sample\n",
    "steps/sample.py": "def late():\n    from pack.study import deep\n",
    "steps/report.py": "import pack.shape\n",
    "steps/supplement.py": "",
    "shape/__init__.py": "",
    "shape/size.py": "from .checks import check\nimport numpy\n",
    "shape/checks.py": "from ..study.tables import read\n",
    "study/__init__.py": "from .deep import one\n",
    "study/tables.py": "",
    "study/deep.py": "",
    "study/other.py": "",
    "report/page.css.jinja": "",
    "report/references.bib": "",
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
    imported_modules.cache_clear()
    code_digest.cache_clear()
    return code_digest(package, step)


@pytest.mark.parametrize(
    "changed",
    [
        "steps/place.py", "steps/files.py", "steps/__main__.py", "steps/sample.py",
        "shape/size.py", "shape/checks.py", "study/tables.py", "study/__init__.py",
        "study/deep.py", "shape/__init__.py",
    ],
)  # fmt: skip
def test_a_change_anywhere_below_changes_the_digest(package, changed):
    """Direct, relative, late and transitive imports, and packages passed through."""
    before = digest(package)
    (package / changed).write_text(FILES[changed] + "# changed\n")
    assert digest(package) != before


@pytest.mark.parametrize("changed", ["study/other.py", "steps/report.py", "report/page.css.jinja"])
def test_a_change_elsewhere_does_not(package, changed):
    """A module that the step does not import."""
    before = digest(package)
    (package / changed).write_text(FILES[changed] + "# changed\n")
    assert digest(package) == before


@pytest.mark.parametrize(
    ("step", "file"),
    [("steps.report", "report/page.css.jinja"), ("steps.supplement", "report/references.bib")],
)
def test_templates_belong_to_the_report_and_references_to_the_supplement(package, step, file):
    before, other = digest(package, step), digest(package, "steps.place")
    (package / file).write_text("changed")
    assert digest(package, step) != before
    assert digest(package, "steps.place") == other


def test_a_source_that_cannot_be_parsed_counts_by_its_bytes(package):
    before = digest(package)
    (package / "shape/size.py").write_text("def broken(:\n")
    assert digest(package) != before


def test_the_digest_does_not_depend_on_where_the_package_lies(package, tmp_path):
    shutil.copytree(package, tmp_path / "moved" / "pack")
    assert digest(package) == digest(tmp_path / "moved" / "pack")


@pytest.mark.slow
def test_steps_are_followed_as_python_imports_them():
    """What Python loads for a step is in its digest."""
    script = (
        "import sys\n"
        "from morpho.steps.{step} import *\n"
        "print(*(name for name in sys.modules if name.startswith('morpho.')))"
    )
    for step in ("check", "place", "report"):
        command = [sys.executable, "-c", script.format(step=step)]
        ran = subprocess.run(command, capture_output=True, text=True, check=True, cwd=HOUSE.parent)
        loaded = {name.removeprefix("morpho.") for name in ran.stdout.split()}
        found, waiting = set(), [f"steps.{step}"]
        while waiting:
            name = waiting.pop()
            found.add(name)
            waiting += imported_modules(HOUSE, name) - found
        packages = {name for name in loaded if "." not in name}
        assert loaded - packages <= found, step


def _settings_read(step):
    """Blocks of study.yaml that a step reads, and the modules of steps that it imports."""
    found, waiting, keys = set(), [f"steps.{step}"], set()
    while waiting:
        name = waiting.pop()
        found.add(name)
        text = (HOUSE / f"{name.replace('.', '/')}.py").read_text(encoding="utf-8")
        keys |= set(re.findall(r'config\.settings\["(\w+)"\]', text))
        waiting += [m for m in imported_modules(HOUSE, name) - found if m.startswith("steps.")]
    return keys


def _rules():
    """Text of each rule of the workflow, by name."""
    files = [HOUSE.parent / "Snakefile", *sorted(HOUSE.parent.glob("config/rules/*.smk"))]
    text = "\n".join(path.read_text(encoding="utf-8") for path in files)
    rules = re.split(r"^rule (\w+):", text, flags=re.MULTILINE)
    return dict(zip(rules[1::2], rules[2::2], strict=True))


def _settings_heeded():
    """Blocks of study.yaml that make each rule of the Snakefile run again."""
    heeded = {}
    for name, body in _rules().items():
        call = re.search(r"\bsettings=settings\(([^)]*)\)", body)
        keys = re.findall(r'"([\w.]+)"', call.group(1)) if call else []
        heeded[name] = {key.split(".")[0] for key in keys} if keys or not call else {"all"}
    return heeded


@pytest.mark.parametrize("step", STEPS)
def test_a_rule_heeds_the_settings_that_its_step_reads(step):
    """Or a changed setting would leave an old result standing.

    Scans are heeded by what is carried to them, which the steps after it take as input.
    """
    heeded = _settings_heeded()[step]
    read = _settings_read(step) - ({"scans"} if step == "slide" else set())
    assert heeded == {"all"} or read <= heeded


def _taken(rule):
    """Results of an element, by folder and name, that a rule names as its input."""
    block = re.search(r"^    input:\n(.*?)^    \w+:", _rules()[rule], re.MULTILINE | re.DOTALL)[1]
    taken = set(re.findall(r"/((?:arrays|notes)/\w+\.(?:npz|json))", block))
    for names in re.findall(r"tables\(([^)]*)\)|table=\[([^\]]*)\]", block):
        taken |= {f"tables/{name}.csv" for name in re.findall(r'"(\w+)"', "".join(names))}
    return taken


# Read by no rule but through files of the user, or through an input function.
NOT_TRIED = ("check", "carry", "draw", "report", "supplement", "archive", "finish")
TRIALS = ("calibrate", "vary", "rarefy", "conclude", "combine")


@pytest.mark.slow
def test_a_rule_takes_as_input_what_its_step_reads(invent, monkeypatch):
    """Or a changed result would leave an old one standing; trials take no more than that."""
    read = {}
    forms = {"arrays": "arrays/{}.npz", "table": "tables/{}.csv", "notes": "notes/{}.json"}
    for kind, form in forms.items():
        plain = getattr(ElementResults, kind)

        def reading(self, name, form=form, plain=plain):
            read[step].add(form.format(name))
            return plain(self, name)

        monkeypatch.setattr(ElementResults, kind, reading)
    study = invent(replicates=2)
    for step in STEPS:
        read[step] = set()
        if step not in NOT_TRIED:
            arguments = () if step == "combine" else ("bone",)
            assert study.step(step, *arguments) == 0, step
            assert read[step] <= _taken(step), step
    assert {step: read[step] for step in TRIALS} == {step: _taken(step) for step in TRIALS}


@pytest.mark.parametrize("step", ["prepare", "superimpose", "ordinate", "grow", "compare",
                                  "discriminate"])  # fmt: skip
def test_steps_that_give_no_verdict_do_not_run_again_for_its_procedure(step):
    """A change in how a verdict is reached leaves shapes, axes and models alone."""
    found, waiting = set(), [f"steps.{step}"]
    while waiting:
        name = waiting.pop()
        found.add(name)
        waiting += imported_modules(HOUSE, name) - found
    trials = {"judging", "reanalysis", "calibration", "stability", "adequacy", "conclusion"}
    assert not found & {f"inference.{name}" for name in trials}
