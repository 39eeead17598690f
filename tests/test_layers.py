"""Imports run one way through the package, and its modules stay small."""

from __future__ import annotations

import pytest

from helpers.imports import MODULES, PACKAGE, imported, parts_of

ROOT = PACKAGE.parent

# How numbers and lists are worded, which all may use.
GROUND = "wording"

# What each layer may use of the package; steps and the command line join the layers.
ALLOWED = {
    "study": {"house", "study"},
    "shape": {"shape"},
    "inference": {"shape", "inference"},
    "results": {"results"},
    "workflow": {"study", "results", "workflow"},
    "viewer": {"shape", "drawing", "results", "viewer"},
    "drawing": {"study", "shape", "inference", "results", "drawing"},
    "report": {
        "study",
        "shape",
        "inference",
        "drawing",
        "results",
        "workflow",
        "viewer",
        "report",
    },
    "steps": {
        "study",
        "shape",
        "inference",
        "results",
        "workflow",
        "drawing",
        "viewer",
        "report",
        "steps",
    },
    "running": {"house", "study", "results", "workflow", "steps", "running"},
    "cli": {"study", "workflow", "steps", "running"},
    "__main__": {"cli"},
    "house": set(),
    "__init__": set(),
    GROUND: set(),
}

# Geometry and statistics work on arrays: no files, no configuration, no figures.
FORBIDDEN = {
    "shape": {"pandas", "matplotlib", "yaml", "jsonschema", "jinja2", "snakemake", "csv", "json"},
    "inference": {"matplotlib", "yaml", "jsonschema", "jinja2", "snakemake", "trimesh", "csv",
                  "json"},
    "workflow": {"matplotlib", "numpy", "pandas", "snakemake"},
    "study": {"matplotlib", "jinja2", "sklearn", "snakemake"},
    "drawing": {"yaml", "jsonschema", "jinja2", "snakemake"},
    "report": {"snakemake"},
    "running": {"matplotlib", "numpy", "pandas", "snakemake"},
}  # fmt: skip

MOST_LINES = 500


def layer_of(parts: tuple[str, ...]) -> str:
    """Layer of a module given as its path within the package, without the suffix."""
    return parts[0]


def faults(source: str, parts: tuple[str, ...]) -> list[str]:
    """Imports that run against the layers."""
    layer = layer_of(parts)
    wrong = []
    for name in sorted(imported(source, parts)):
        if name[0] == "morpho" and len(name) > 1:
            # names of the package itself, as its version, belong to no layer
            if name[1] in ALLOWED and name[1] not in {GROUND, *ALLOWED[layer]}:
                wrong.append(f"{layer} imports {'.'.join(name)}")
        elif name[0] in FORBIDDEN.get(layer, set()):
            wrong.append(f"{layer} imports {name[0]}")
    return wrong


# Numbers do not hang on words: of the steps only those that tell import what tells.
TELLING = {
    ("steps", "prepare", "suspected"),
    ("steps", "show", "report"),
    ("steps", "show", "supplement"),
    ("steps", "show", "archive"),
}


def tells(source: str, parts: tuple[str, ...]) -> bool:
    """Whether a module imports the report."""
    return any(name[:2] == ("morpho", "report") for name in imported(source, parts))


def test_imports_run_along_the_layers():
    found = []
    for path in MODULES:
        parts = parts_of(path)
        known = layer_of(parts) in ALLOWED
        wrong = faults(path.read_text(encoding="utf-8"), parts) if known else ["is in no layer"]
        found += [f"{path.relative_to(ROOT)}: {fault}" for fault in wrong]
    assert found == []


@pytest.mark.parametrize(
    ("source", "parts", "expected"),
    [
        (
            "from ..study.tables import x",
            ("shape", "a"),
            ["shape imports morpho.study.tables"],
        ),
        ("from morpho.shape import x", ("study", "a"), ["study imports morpho.shape"]),
        (
            "import morpho.steps.judge.place",
            ("report", "a"),
            ["report imports morpho.steps.judge.place"],
        ),
        ("from .. import drawing", ("inference", "a"), ["inference imports morpho.drawing"]),
        ("def f():\n    import matplotlib.pyplot", ("shape", "a"), ["shape imports matplotlib"]),
        ("from pandas import DataFrame", ("shape", "a"), ["shape imports pandas"]),
        ("from ..cli import main", ("steps", "a"), ["steps imports morpho.cli"]),
        ("from ...study import x", ("shape", "deep", "a"), ["shape imports morpho.study"]),
        ("from ..shape.checks import x\nfrom .design import y", ("inference", "a"), []),
        ("from .. import __version__", ("report", "a"), []),
        ("from .study import x\nfrom .steps import y", ("cli",), []),
    ],
)
def test_the_check_sees_wrong_imports(source, parts, expected):
    assert faults(source, parts) == expected


def test_of_the_steps_only_those_that_tell_import_the_report():
    found = {
        parts
        for path in MODULES
        if (parts := parts_of(path))[0] == "steps" and tells(path.read_text("utf-8"), parts)
    }
    assert found == TELLING


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("from morpho.report.words.trust import trust_words", True),
        ("from ...report import page", True),
        ("def f():\n    import morpho.report.page", True),
        ("from morpho.results.store import ElementResults", False),
    ],
)
def test_the_check_sees_a_step_that_tells(source, expected):
    assert tells(source, ("steps", "judge", "place")) is expected


def test_modules_stay_small():
    lines = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for path in MODULES
    }
    assert {path: count for path, count in lines.items() if count > MOST_LINES} == {}


def test_there_are_modules_to_check():
    """An empty list of modules would pass every test above."""
    assert {layer_of(parts_of(path)) for path in MODULES} >= {"shape", "inference", "study"}
    assert len(MODULES) > 20


def test_no_module_imports_itself_in_a_circle():
    """Follow imports inside the package at the level of modules."""
    graph = {}
    for path in MODULES:
        parts = parts_of(path)
        graph[parts] = {
            name[1:]
            for name in imported(path.read_text(encoding="utf-8"), parts)
            if name[0] == "morpho" and len(name) > 1
        }
    done: set[tuple[str, ...]] = set()

    def follow(parts: tuple[str, ...], trail: list[tuple[str, ...]]) -> None:
        assert parts not in trail, f"circle: {[*trail, parts]}"
        if parts in graph and parts not in done:
            for other in graph[parts]:
                follow(other, [*trail, parts])
            done.add(parts)

    for parts in graph:
        follow(parts, [])
