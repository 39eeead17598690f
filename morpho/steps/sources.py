"""Which sources a step runs, as one digest: the workflow runs a step again when they change."""

from __future__ import annotations

import ast
from functools import cache
from hashlib import sha256
from pathlib import Path

__all__ = ["code_digest", "imported_modules"]

# Endings of the files below morpho/report that a step uses beside its modules.
_OTHER_SOURCES = {"steps.report": ("jinja", "js", "css"), "steps.supplement": ("bib",)}


def _file(package: Path, module: str) -> Path | None:
    path = package.joinpath(*module.split(".")) if module else package
    for candidate in (path.with_suffix(".py"), path / "__init__.py"):
        if candidate.is_file():
            return candidate
    return None


def _names(node: ast.AST, module: str, package: Path) -> list[str]:
    """Modules of the package that an import statement may bring in, as seen from it."""
    if isinstance(node, ast.Import):
        found = [alias.name for alias in node.names]
        prefix = f"{package.name}."
        return [name.removeprefix(prefix) for name in found if name.startswith(prefix)]
    if not isinstance(node, ast.ImportFrom):
        return []
    if node.level:
        base = module.split(".")[: -node.level]
    elif node.module and node.module.split(".")[0] == package.name:
        base = []
    else:
        return []
    inside = (node.module or "").removeprefix(package.name if not node.level else "").strip(".")
    target = ".".join([*base, *([inside] if inside else [])])
    return [target, *[f"{target}.{alias.name}".strip(".") for alias in node.names]]


@cache
def imported_modules(package: Path, module: str) -> frozenset[str]:
    """Modules of the package that a module imports, anywhere in its text.

    Parameters
    ----------
    package : Path
        Folder of the package.
    module : str
        Dotted name below the package.

    Returns
    -------
    frozenset of str
    """
    path = _file(package, module)
    if path is None:
        return frozenset()
    try:
        tree = ast.parse(path.read_bytes())
    except SyntaxError:
        return frozenset()
    names = (name for node in ast.walk(tree) for name in _names(node, module, package))
    return frozenset(name for name in names if _file(package, name) is not None)


@cache
def code_digest(package: Path, module: str) -> str:
    """Digest of a module and of all that it imports from its package, however deep.

    Parameters
    ----------
    package : Path
        Folder of the package.
    module : str
        Dotted name below the package, as 'steps.place'.

    Returns
    -------
    str
        The first 16 digits of a SHA-256 sum.
    """
    # the file helper and the runner take part in every step
    found = {module, "steps.files", "steps.__main__"}
    waiting = list(found)
    while waiting:
        for name in imported_modules(package, waiting.pop()) - found:
            found.add(name)
            waiting.append(name)
    # packages on the way are run, but what they re-export is not
    found |= {name.rpartition(".")[0] for name in found}
    digest = sha256()
    for name in sorted(found):
        path = _file(package, name)
        digest.update(name.encode() + b"\0" + (path.read_bytes() if path else b"") + b"\0")
    # templates, style sheets, scripts and references are sources too
    for ending in _OTHER_SOURCES.get(module, ()):
        for path in sorted((package / "report").rglob(f"*.{ending}")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]
