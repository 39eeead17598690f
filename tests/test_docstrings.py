"""Public names say what they are for; of shape and inference also what goes in and comes out."""

from __future__ import annotations

import ast
import importlib
from types import SimpleNamespace
from typing import Any

from helpers.imports import MODULES, PACKAGE, parts_of

Function = ast.FunctionDef | ast.AsyncFunctionDef


def public_names(tree: ast.Module) -> set[str] | None:
    """Names in `__all__`, or None where the module has none.

    A list that is computed belongs to a package that only hands on names of its modules.
    """
    for node in tree.body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            literal = isinstance(node.value, ast.List | ast.Tuple)
            return set(ast.literal_eval(node.value)) if literal else set()
    return None


def has_section(node: ast.AST, *titles: str) -> bool:
    lines = [line.strip() for line in (ast.get_docstring(node) or "").splitlines()]
    return any(
        line in titles and set(under) == {"-"}
        for line, under in zip(lines, [*lines[1:], ""], strict=True)
    )


def is_property(node: Function) -> bool:
    return any(getattr(d, "id", getattr(d, "attr", "")) == "property" for d in node.decorator_list)


def faults_of_function(node: Function, name: str, *, method: bool) -> list[str]:
    if not ast.get_docstring(node):
        return [f"{name} has no docstring"]
    arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    static = any(getattr(d, "id", "") == "staticmethod" for d in node.decorator_list)
    if method and not static:
        arguments = arguments[1:]
    if is_property(node) or not (arguments or node.args.vararg or node.args.kwarg):
        return []
    faults = []
    if not has_section(node, "Parameters"):
        faults.append(f"{name} has arguments, but no section Parameters")
    gives = node.returns is not None and ast.unparse(node.returns) not in ("None", "NoReturn")
    if gives and not has_section(node, "Returns", "Yields"):
        faults.append(f"{name} gives something, but has no section Returns")
    return faults


def says_itself(field: ast.AnnAssign) -> bool:
    """Whether a field is given with its meaning, as a key of study.yaml is."""
    made = field.value
    return isinstance(made, ast.Call) and getattr(made.func, "id", "") == "key"


def faults_of_class(node: ast.ClassDef) -> list[str]:
    if not ast.get_docstring(node):
        return [f"{node.name} has no docstring"]
    faults = []
    fields = [n for n in node.body if isinstance(n, ast.AnnAssign) and not says_itself(n)]
    if fields and not has_section(node, "Attributes", "Parameters"):
        faults.append(f"{node.name} has fields, but no section Attributes or Parameters")
    for method in node.body:
        if not isinstance(method, Function):
            continue
        if method.name == "__init__":
            wants = len(method.args.args) + len(method.args.kwonlyargs) > 1
            if wants and not has_section(node, "Parameters"):
                faults.append(f"{node.name} takes arguments, but has no section Parameters")
        elif not method.name.startswith("_"):
            name = f"{node.name}.{method.name}"
            faults.extend(faults_of_function(method, name, method=True))
    return faults


def faults_of_module(source: str) -> list[str]:
    """What a reader of the docstrings of a module would miss."""
    tree = ast.parse(source)
    if not tree.body:  # an empty __init__.py
        return []
    faults = [] if ast.get_docstring(tree) else ["the module has no docstring"]
    definitions = [n for n in tree.body if isinstance(n, Function | ast.ClassDef)]
    names = public_names(tree)
    if names is None:
        return [*faults, "the module has no __all__"] if definitions else faults
    for node in definitions:
        if node.name not in names:
            continue
        if isinstance(node, ast.ClassDef):
            faults.extend(faults_of_class(node))
        else:
            faults.extend(faults_of_function(node, node.name, method=False))
    return faults


def test_public_names_are_documented():
    found = []
    for path in MODULES:
        faults = faults_of_module(path.read_text(encoding="utf-8"))
        if parts_of(path)[0] not in ("shape", "inference"):
            # sections only where they say more than the annotations
            faults = [fault for fault in faults if "no section" not in fault]
        found += [f"{path.relative_to(PACKAGE)}: {fault}" for fault in faults]
    assert found == []


def faults_of_names(module: Any) -> list[str]:
    """What is wrong with the list of a module's public names."""
    names = list(getattr(module, "__all__", []))
    faults = [f"{name} is not there" for name in names if not hasattr(module, name)]
    faults += [f"{name} is listed twice" for name in sorted(set(names)) if names.count(name) > 1]
    hidden = [name for name in names if name.startswith("_") and name != "__version__"]
    return faults + [f"{name} is private" for name in hidden]


def test_names_made_public_exist_and_are_listed_once():
    found = []
    for path in MODULES:
        name = ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts)
        if not name.endswith("__main__"):  # importing it would run the program
            module = importlib.import_module(name.removesuffix(".__init__"))
            found += [f"{name}: {fault}" for fault in faults_of_names(module)]
    assert found == []


def test_the_check_sees_wrong_names():
    module = SimpleNamespace(__all__=["a", "a", "gone", "_own"], a=1, _own=2)
    assert faults_of_names(module) == ["gone is not there", "a is listed twice", "_own is private"]
    assert faults_of_names(SimpleNamespace(__all__=["a", "__version__"], a=1, __version__="")) == []


def test_the_check_sees_what_is_missing():
    source = '''
"""A module."""

__all__ = ["Bone", "bare", "good", "measure"]


def bare(x):
    pass


def measure(x: float) -> float:
    """Measure."""


def good(x: float) -> float:
    """Measure.

    Parameters
    ----------
    x : float

    Returns
    -------
    float
    """


def hidden(x):
    pass


class Bone:
    """A bone."""

    length: float

    def __init__(self, *, length: float) -> None:
        self.length = length

    def grow(self, by: float) -> None:
        """Grow."""

    @property
    def size(self) -> float:
        """Size."""
'''
    assert faults_of_module(source) == [
        "bare has no docstring",
        "measure has arguments, but no section Parameters",
        "measure gives something, but has no section Returns",
        "Bone has fields, but no section Attributes or Parameters",
        "Bone takes arguments, but has no section Parameters",
        "Bone.grow has arguments, but no section Parameters",
    ]
    assert faults_of_module("def f():\n    pass\n") == [
        "the module has no docstring",
        "the module has no __all__",
    ]
