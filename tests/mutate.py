"""Breaks the statistics and the geometry in small places, and sees whether the tests notice.

``make mutate`` runs it: it takes long, and is no part of the checks. Each mutant is one change
of one module of morpho/inference or morpho/shape: another constant, comparison or operator, or
a statement that is left out. The module's nearest tests are run on a copy of the repository,
the quick ones first and up to the first that fails. A mutant that they all pass has survived:
either it changes nothing that matters, or a test is missing.

    python tests/mutate.py --mutants 60 --seed 1 [module ...]
"""

from __future__ import annotations

import argparse
import ast
import copy
import gc
import importlib
import itertools
import marshal
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[1]
LAYERS = ("inference", "shape")
# Tests that take more of the processor's seconds are run only where all others pass.
QUICK = 1.0
# Imported once, before a process is parted off for each mutant.
LIBRARIES = (
    "hypothesis", "numpy", "pandas", "pingouin", "scipy.interpolate", "scipy.spatial",
    "scipy.stats", "skbio", "sklearn.covariance", "sklearn.discriminant_analysis",
    "sklearn.linear_model", "sklearn.model_selection", "statsmodels.api", "trimesh",
)  # fmt: skip

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

    def matters(self) -> bool:
        """Whether Python's compiler makes anything else of it.

        Returns
        -------
        bool
        """
        both = (compile(each, "", "exec") for each in (ast.unparse(self.tree), self.source()))
        before, after = map(marshal.dumps, both)
        return before != after

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
    """Nodes that only tell or guard: messages, types, imports, and zip's check of lengths."""
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
        elif isinstance(node, ast.ImportFrom | ast.Import) or (
            isinstance(node, ast.keyword) and node.arg == "strict"
        ):
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


def nearest(house: Path, module: Path) -> list[Path]:
    """Files of tests that import a module by its name; all of its layer if there are none.

    Parameters
    ----------
    house : Path
    module : Path
        Within the repository.

    Returns
    -------
    list of Path
    """
    layer, dotted = module.parts[1], ".".join(module.with_suffix("").parts)
    near = [
        path
        for folder in (layer, "outside", "properties")
        for path in sorted((house / "tests" / folder).rglob("test_*.py"))
        if path.stem == f"test_{module.stem}"
        or f"{dotted} import" in path.read_text(encoding="utf-8")
    ]
    return near or sorted((house / "tests" / layer).rglob("test_*.py"))


@dataclass(eq=False)
class Suite:
    """Runs tests in a copy of the repository, each time in a process of its own.

    Attributes
    ----------
    house : Path
        The copy.
    seconds : dict of str to float
        How long the processor works on each test without a mutant, by its name.
    """

    house: Path
    seconds: dict[str, float] = field(default_factory=dict)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """Note how long a test takes, as pytest calls it."""
        before = time.process_time()
        result = yield
        self.seconds[item.nodeid] = time.process_time() - before
        return result

    def _run(self, paths: list[Path], more: tuple[str, ...], limit: float, out: Path) -> bool:
        """Whether tests pass within a limit of work; what they say, and times, are kept."""
        child = os.fork()
        if child:
            code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
            if code in (pytest.ExitCode.INTERNAL_ERROR, pytest.ExitCode.USAGE_ERROR):
                raise RuntimeError(out.with_suffix(".said").read_text(encoding="utf-8"))
            return code in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED)
        code = 1
        try:
            said = os.open(out.with_suffix(".said"), os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(said, 1)
            os.dup2(said, 2)
            signal.setitimer(signal.ITIMER_PROF, limit)  # ends the process
            os.chdir(self.house)
            sys.path.insert(0, str(self.house))
            options = ["-q", "-x", "-n", "0", "-p", "no:cacheprovider", *more]
            self.seconds = {}
            code = pytest.main(
                [*options, "-m", "not long and not slow and not whole", *map(str, paths)],
                plugins=[self],
            )
            lines = [f"{taken}\t{name}\n" for name, taken in self.seconds.items()]
            out.write_text("".join(lines), encoding="utf-8")
        finally:
            os._exit(int(code))

    def measure(self, paths: list[Path]) -> bool:
        """Whether tests pass as things are; note how long each takes.

        Parameters
        ----------
        paths : list of Path

        Returns
        -------
        bool
        """
        times = self.house.with_name("times")
        if not self._run(paths, (), 24 * 3600, times):
            print(times.with_suffix(".said").read_text(encoding="utf-8"))
            return False
        for line in times.read_text(encoding="utf-8").splitlines():
            taken, name = line.split("\t")
            self.seconds[name] = float(taken)
        return True

    def notice(self, mutant: Mutant) -> bool:
        """Whether a test fails with a mutant.

        Parameters
        ----------
        mutant : Mutant

        Returns
        -------
        bool
        """
        path = self.house / mutant.module
        paths = [*nearest(self.house, mutant.module), path]
        files = [str(each.relative_to(self.house)) for each in paths]
        near = {n: t for n, t in self.seconds.items() if n.split("::")[0] in files}
        slow = sorted((n for n, t in near.items() if t > QUICK), key=near.__getitem__)
        quick: dict[str, float] = dict.fromkeys(files, 0.0)
        for name in near.keys() - set(slow):
            quick[name.split("::")[0]] += near[name]
        files.sort(key=lambda file: (Path(file).stem != f"test_{mutant.module.stem}", quick[file]))
        # the file named after the module, or the quickest; the others; what takes long
        parts = [part for part in (files[:1], files[1:], slow) if part]
        limit = 60 + 10 * sum(near.values())
        kept, unused = path.read_text(encoding="utf-8"), self.house.with_name("unused")
        path.write_text(mutant.source(), encoding="utf-8")
        try:
            return not all(
                self._run(
                    [self.house / each for each in part],
                    tuple(f"--deselect={name}" for name in slow if part is not slow),
                    limit,
                    unused,
                )
                for part in parts
            )
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
    random.Random(given.seed).shuffle(every)
    drawn = list(itertools.islice(filter(Mutant.matters, every), given.mutants))
    os.environ |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    for name in LIBRARIES:
        importlib.import_module(name)
    gc.freeze()  # or each process would go through all that is imported, and copy it
    killed: Counter[str] = Counter()
    survived: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        house = Path(folder) / "house"
        left = shutil.ignore_patterns(".*", "__pycache__", "results", "build")
        shutil.copytree(HOUSE, house, ignore=left)
        # morpho/results is part of the library, and no folder of results
        shutil.copytree(HOUSE / "morpho", house / "morpho", ignore=left, dirs_exist_ok=True)
        near = {test for mutant in drawn for test in nearest(house, mutant.module)}
        tests = Suite(house)
        if not tests.measure([*sorted(near), *(house / path for path in chosen)]):
            print("The tests fail without any mutant: mend them first.")
            return 1
        sys.dont_write_bytecode = True  # what is kept of the measured run is current
        for number, mutant in enumerate(drawn, start=1):
            began, noticed = time.monotonic(), tests.notice(mutant)
            (killed if noticed else survived)[names[mutant.module]] += 1
            told = "killed" if noticed else "SURVIVED"
            print(f"{number:4} {told:8} {mutant} ({time.monotonic() - began:.0f} s)", flush=True)
    for name in sorted({*killed, *survived}):
        print(f"{name:40} {killed[name]:4} killed {survived[name]:4} survived")
    print(f"{len(drawn)} of {len(every)} mutants: {killed.total()} killed, "
          f"{survived.total()} survived")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
