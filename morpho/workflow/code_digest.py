"""Which code a step runs, as one digest of what it means and not of how it is written."""

from __future__ import annotations

import ast
import json
from collections.abc import Iterator
from functools import cache
from hashlib import sha256
from pathlib import Path

__all__ = ["CodeDigests"]

# Nodes whose first statement may be a docstring.
_DOCUMENTED = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
# What changes with the writing alone, or with the release of Python.
_NO_MEANING = ("ctx", "kind", "type_comment", "type_ignores")
# Files beside modules that are read by them.
_BESIDE = (".jinja", ".js", ".css", ".json", ".bib")
# The store of results holds tables against what is told of them.
_STORE, _TOLD = "results.store", "results.tables"


def _for_types_only(node: ast.AST) -> bool:
    if not isinstance(node, ast.If):
        return False
    name = getattr(node.test, "id", getattr(node.test, "attr", ""))
    return name == "TYPE_CHECKING" and not node.orelse


def _run(body: list[ast.stmt], owner: ast.AST) -> list[ast.stmt]:
    """Statements of a block without its docstring and what is there for type checkers."""
    first = body[0] if body and isinstance(owner, _DOCUMENTED) else None
    told = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
    kept = body[1:] if told and isinstance(first.value.value, str) else body  # type: ignore[union-attr]
    return [statement for statement in kept if not _for_types_only(statement)]


def _said(value: object, owner: ast.AST) -> str:
    if isinstance(value, ast.AST):
        return _written(value)
    if isinstance(value, list):
        if value and all(isinstance(one, ast.stmt) for one in value):
            value = _run(value, owner)
        return "[" + ",".join(_said(one, owner) for one in value) + "]"
    return repr(value)


def _written(node: ast.AST) -> str:
    parts = []
    for name in node._fields:
        value = getattr(node, name, None)
        empty = value is None and not isinstance(node, ast.Constant)
        if name not in _NO_MEANING and not empty and value != []:
            parts.append(f"{name}={_said(value, node)}")
    return f"{type(node).__name__}({','.join(parts)})"


def _meaning(source: bytes) -> str:
    """Digest what a module's text does: its syntax tree without comments and docstrings.

    The same under every release of Python; what cannot be parsed counts by its bytes.
    """
    try:
        tree = ast.parse(source)
    except (SyntaxError, ValueError):
        return sha256(source).hexdigest()
    return sha256(_written(tree).encode("utf-8", "backslashreplace")).hexdigest()


def _statements(node: ast.AST) -> Iterator[ast.AST]:
    """Every node but those that are there for type checkers."""
    for child in ast.iter_child_nodes(node):
        if not _for_types_only(child):
            yield child
            yield from _statements(child)


def _names(node: ast.AST, module: str, package: str) -> list[str]:
    """Modules of the package that an import statement may bring in, as seen from it."""
    if isinstance(node, ast.Import):
        found = [alias.name for alias in node.names]
        return [n.removeprefix(f"{package}.") for n in found if n.startswith(f"{package}.")]
    if not isinstance(node, ast.ImportFrom):
        return []
    if node.level:
        base = module.split(".")[: -node.level]
    elif node.module and node.module.split(".")[0] == package:
        base = []
    else:
        return []
    inside = (node.module or "").removeprefix(package if not node.level else "").strip(".")
    target = ".".join([*base, *([inside] if inside else [])])
    return [target, *[f"{target}.{alias.name}".strip(".") for alias in node.names]]


class CodeDigests:
    """Digests of the code that steps run; modules go by their dotted names below the package."""

    def __init__(self, package: Path) -> None:
        self.package = package
        self._known: dict[str, list] = {}
        self._met: dict[str, list] = {}

    def recall(self, file: Path) -> None:
        """Take what `keep` left in a file: parsing all texts takes a second.

        It is kept by the digest of each text, so that dates play no part, and it may be lost.
        """
        try:
            found = json.loads(file.read_text(encoding="utf-8"))
            self._known |= found if isinstance(found, dict) else {}
        except (OSError, ValueError):
            pass

    @cache  # noqa: B019 - one of these lives as long as the process
    def _path(self, module: str) -> Path | None:
        path = self.package.joinpath(*module.split(".")) if module else self.package
        for candidate in (path.with_suffix(".py"), path / "__init__.py"):
            if candidate.is_file():
                return candidate
        return None

    @cache  # noqa: B019
    def _look(self, module: str) -> tuple[str, tuple[str, ...]]:
        """Meaning of a module, and the names that it may import from the package."""
        path = self._path(module)
        if path is None:
            return "", ()
        source = path.read_bytes()
        # a relative import means another module from another place
        key = sha256(f"{module}\0{path.name}\0".encode() + source).hexdigest()
        found = self._known.get(key)
        if not (isinstance(found, list) and len(found) == 2):
            try:
                tree = ast.parse(source)
                nodes = _statements(tree)
                names = sorted(
                    {n for node in nodes for n in _names(node, module, self.package.name)}
                )
            except (SyntaxError, ValueError):
                names = []
            found = [_meaning(source), names]
        self._met[key] = found
        return found[0], tuple(found[1])

    @cache  # noqa: B019
    def imported(self, module: str) -> frozenset[str]:
        """Modules of the package that a module imports, anywhere in its text."""
        return frozenset(name for name in self._look(module)[1] if name and self._path(name))

    def modules(self, module: str) -> frozenset[str]:
        """Modules that a module runs: itself and all that it imports, however deep.

        Packages on the way among them: they are run, but what they re-export is not. What the store
        of results knows of tables is left out, see `morpho.workflow.state.code_of`.
        """
        found, waiting = {module}, [module]
        while waiting:
            name = waiting.pop()
            told = {_TOLD} if name == _STORE else set()
            for other in self.imported(name) - found - told:
                found.add(other)
                waiting.append(other)
        return frozenset(found | {name.rpartition(".")[0] for name in found} - {""})

    @cache  # noqa: B019
    def _beside(self, folder: Path) -> str:
        """Digest of the files that modules of a folder read, in folders of their own too."""
        digest = sha256()
        for path in sorted(folder.rglob("*")):
            inner = path.relative_to(folder).parents
            apart = any((folder / one / "__init__.py").is_file() for one in list(inner)[:-1])
            if path.suffix in _BESIDE and path.is_file() and not apart:
                digest.update(path.relative_to(folder).as_posix().encode() + b"\0")
                digest.update(sha256(path.read_bytes()).digest())
        return digest.hexdigest()

    @cache  # noqa: B019
    def of(self, *modules: str) -> str:
        """Digest of modules and all that they import, wherever the package lies: 16 digits."""
        found = sorted(frozenset().union(*(self.modules(module) for module in modules)))
        digest = sha256()
        for name in found:
            digest.update(f"{name}\0{self._look(name)[0]}\n".encode())
        paths = (self._path(name) for name in found)
        for folder in sorted({path.parent for path in paths if path}):
            digest.update(self._beside(folder).encode())
        return digest.hexdigest()[:16]

    def alone(self, module: str) -> str:
        """Digest of one module without what it imports: 16 digits."""
        return self._look(module)[0][:16]

    def keep(self, file: Path) -> None:
        """Keep what was found for the next time; that it cannot be kept is no trouble."""
        if self._met.keys() <= self._known.keys():
            return
        try:
            file.parent.mkdir(exist_ok=True)
            part = file.with_suffix(".part")
            part.write_text(json.dumps(self._met), encoding="utf-8")
            part.replace(file)
        except OSError:
            pass
