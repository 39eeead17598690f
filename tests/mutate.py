"""Breaks the statistics and the geometry in small places, and sees whether the tests notice.

``make mutate`` runs it: it takes long, and is no part of the checks. Each mutant is one change
of one module of morpho/inference or morpho/shape: another constant, comparison or operator, or
a statement that is left out. The module's nearest tests are run on a copy of the repository. A
mutant that they pass has survived: either it changes nothing that matters, or a test is missing.

    python tests/mutate.py --mutants 60 --seed 1 [module ...]
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

HOUSE = Path(__file__).parents[1]
LAYERS = ("inference", "shape")
# Seconds after which a mutant counts as noticed: it runs in a circle.
MOST = 1800

_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_REACHED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.MatMult: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change of one module.

    Attributes
    ----------
    module : Path
        Within the repository.
    kind : str
        What is changed.
    tree : ast.Module
        The module as it is.
    old, new : ast.AST
        A node of it, and what comes in its place.
    """

    module: Path
    kind: str
    tree: ast.Module
    old: ast.AST
    new: ast.AST

    def source(self) -> str:
        """The module with the change.

        Returns
        -------
        str
        """
        changed = ast.unparse(ast.fix_missing_locations(_Swap(self.old, self.new).visit(self.tree)))
        _Swap(self.new, self.old).visit(self.tree)
        return changed

    def __str__(self) -> str:
        before, after = ast.unparse(self.old), ast.unparse(self.new)
        line = getattr(self.old, "lineno", 0)
        return f"{self.module}:{line} {self.kind}: {before[:60]} -> {after[:60]}"


def _changes(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """What a node may be turned into."""
    changed = copy.deepcopy(node)
    if isinstance(node, ast.Compare) and isinstance(changed, ast.Compare):
        other = _COMPARED[type(node.ops[0])]
        changed.ops[0] = other()
        yield "comparison", changed
    elif isinstance(node, ast.BinOp) and type(node.op) in _REACHED:
        assert isinstance(changed, ast.BinOp)
        changed.op = _REACHED[type(node.op)]()
        yield "operator", changed
    elif isinstance(node, ast.BoolOp) and isinstance(changed, ast.BoolOp):
        changed.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "and/or", changed
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
        yield "sign or not", node.operand
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield "constant", ast.copy_location(ast.Constant(not node.value), node)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int):
        yield "constant", ast.copy_location(ast.Constant(node.value + 1), node)
    elif isinstance(node, ast.Constant) and isinstance(node.value, float):
        yield "constant", ast.copy_location(ast.Constant(2 * node.value or 1.0), node)
    elif isinstance(node, ast.AugAssign | ast.Raise) or (
        isinstance(node, ast.Assign) and not isinstance(node.targets[0], ast.Name)
    ):
        yield "statement left out", ast.copy_location(ast.Pass(), node)


class _Swap(ast.NodeTransformer):
    """Puts one node in the place of another."""

    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self.old, self.new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        return self.new if node is self.old else self.generic_visit(node)


def _told(tree: ast.Module) -> set[int]:
    """Nodes that only tell something: docstrings, messages, types and lists of names."""
    apart: set[int] = set()
    for node in ast.walk(tree):
        parts: list[ast.AST | None] = []
        if isinstance(node, ast.JoinedStr):
            parts = [node]
        elif isinstance(node, ast.Raise):
            parts = [node.exc]
        elif isinstance(node, ast.AnnAssign | ast.arg):
            parts = [node.annotation]
        elif isinstance(node, ast.FunctionDef):
            parts = [node.returns, *node.decorator_list]
        elif isinstance(node, ast.ImportFrom | ast.Import):
            parts = [node]
        for part in parts:
            if part is not None:
                apart.update(id(inner) for inner in ast.walk(part))
    return apart


def mutants_of(module: Path, source: str) -> list[Mutant]:
    """Every mutant of a module.

    Parameters
    ----------
    module : Path
        Within the repository.
    source : str

    Returns
    -------
    list of Mutant
    """
    tree = ast.parse(source)
    apart = _told(tree)
    return [
        Mutant(module, kind, tree, node, new)
        for node in ast.walk(tree)
        if id(node) not in apart
        for kind, new in _changes(node)
    ]


def nearest_tests(house: Path, module: Path) -> list[Path]:
    """Files of tests that import a module by its name, and the one named after it first.

    Parameters
    ----------
    house : Path
    module : Path
        Within the repository.

    Returns
    -------
    list of Path
    """
    layer, name = module.parts[1], module.stem
    dotted = ".".join(module.with_suffix("").parts)
    near = []
    for folder in (layer, "outside", "properties"):
        for path in sorted((house / "tests" / folder).glob("test_*.py")):
            text = path.read_text(encoding="utf-8")
            if path.stem == f"test_{name}" or f"{dotted} import" in text:
                near.append(path)
    near.sort(key=lambda path: (path.stem != f"test_{name}", path.parent.name != layer))
    return near


def pass_all(house: Path, tests: list[Path]) -> bool:
    """Whether tests pass, the slow ones left out, in a copy of the repository.

    Parameters
    ----------
    house : Path
        The copy.
    tests : list of Path

    Returns
    -------
    bool
    """
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider"]
    try:
        done = subprocess.run(
            [*command, "-m", "not slow and not whole", *map(str, tests)],
            cwd=house,
            env={**os.environ, "PYTHONPATH": str(house)},
            capture_output=True,
            timeout=MOST,
        )
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0


def survives(house: Path, mutant: Mutant) -> bool:
    """Whether the nearest tests pass with a mutant in a copy of the repository.

    Parameters
    ----------
    house : Path
        The copy.
    mutant : Mutant

    Returns
    -------
    bool
    """
    path = house / mutant.module
    tests = nearest_tests(house, mutant.module) or [house / "tests" / mutant.module.parts[1]]
    kept = path.read_text(encoding="utf-8")
    path.write_text(mutant.source(), encoding="utf-8")
    try:
        return pass_all(house, [*tests, path])
    finally:
        path.write_text(kept, encoding="utf-8")


def main() -> int:
    """Draw mutants, try each, and tell which were not noticed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", help="as inference/data/screening; all by default")
    parser.add_argument("--mutants", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--without", action="append", default=[], help="a module to leave out")
    given = parser.parse_args()
    paths = [
        path.relative_to(HOUSE)
        for layer in LAYERS
        for path in sorted((HOUSE / "morpho" / layer).rglob("[!_]*.py"))
    ]
    names = {path: "/".join(path.with_suffix("").parts[1:]) for path in paths}
    chosen = [p for p in paths if not given.modules or names[p] in given.modules]
    chosen = [p for p in chosen if names[p] not in given.without]
    every = [
        mutant
        for path in chosen
        for mutant in mutants_of(path, (HOUSE / path).read_text(encoding="utf-8"))
    ]
    drawn = random.Random(given.seed).sample(every, min(given.mutants, len(every)))
    survived = 0
    with tempfile.TemporaryDirectory() as folder:
        house = Path(folder) / "house"
        left = shutil.ignore_patterns(".*", "__pycache__", "results", "build")
        shutil.copytree(HOUSE, house, ignore=left)
        near = {test for mutant in drawn for test in nearest_tests(house, mutant.module)}
        if not pass_all(house, sorted(near)):
            print("The tests fail without any mutant: mend them first.")
            return 1
        for number, mutant in enumerate(drawn, start=1):
            lives = survives(house, mutant)
            survived += lives
            told = "SURVIVED" if lives else "killed"
            print(f"{number:4} {told:8} {mutant}", flush=True)
    print(f"{len(drawn)} of {len(every)} mutants: {len(drawn) - survived} killed, "
          f"{survived} survived")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
