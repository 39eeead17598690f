"""What the modules of the package import of one another, by their text."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "morpho"
MODULES = sorted(PACKAGE.rglob("*.py"))


def parts_of(path: Path) -> tuple[str, ...]:
    """A module's path within the package, without the suffix."""
    return path.relative_to(PACKAGE).with_suffix("").parts


def imported(source: str, parts: tuple[str, ...]) -> set[tuple[str, ...]]:
    """Modules that a module imports anywhere in its text, as parts of their full names.

    Relative names are resolved; `from .. import shape` counts as an import of shape.
    """
    found: set[tuple[str, ...]] = set()
    package = ("morpho", *parts[:-1])
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found.update(tuple(alias.name.split(".")) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            start = package[: len(package) - node.level + 1] if node.level else ()
            base = (*start, *(node.module.split(".") if node.module else ()))
            if base == ("morpho",):
                found.update((*base, alias.name) for alias in node.names)
            else:
                found.add(base)
    return found


def between_layers() -> Counter[tuple[str, str]]:
    """How many times a module of one layer imports one of another; the ground is no layer."""
    layers = {parts_of(path)[0] for path in MODULES} - {"__init__", "__main__", "wording"}
    return Counter(
        (layer, name[1])
        for path in MODULES
        for layer in [parts_of(path)[0]]
        for name in imported(path.read_text(encoding="utf-8"), parts_of(path))
        if name[0] == "morpho" and len(name) > 1 and layer != name[1] and {layer, name[1]} <= layers
    )
