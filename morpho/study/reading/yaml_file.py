"""Reading a YAML file so that each value knows its line, and nothing is taken for what it isn't.

Plain words stay words: only ``true``, ``false``, ``null``, whole and decimal numbers have a
meaning of their own. So ``no`` is the word "no", and ``2024-05-01`` is no date.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from morpho.study.reading.problems import Problems
from morpho.study.reading.text_file import read_text
from morpho.study.reading.wording import quoted

__all__ = ["Document", "KeyPath", "read_yaml"]

KeyPath = tuple[str | int, ...]

_WHOLE = re.compile(r"[-+]?[0-9]+\Z")
_DECIMAL = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?\Z")
# What no text of these files holds: control characters but line breaks and tabs, and halves of
# characters; both can only be written as escapes between quotation marks.
_SPACES = {"\t", "\n", "\r"}
_STANDARD = {f"tag:yaml.org,2002:{kind}" for kind in ("str", "seq", "map")}


class _PlainLoader(yaml.SafeLoader):
    """A loader to which every unquoted word is a text."""

    yaml_implicit_resolvers: dict[Any, Any] = {}  # noqa: RUF012 - the name is PyYAML's


@dataclass
class Document:
    """A YAML file that was read; lines and texts as written by the path of their keys."""

    file: Path
    data: Any
    lines: dict[KeyPath, int] = field(default_factory=dict)  # of each key and list item, from 1
    texts: dict[KeyPath, str] = field(default_factory=dict)  # of unquoted values, as written

    def line(self, *path: str | int) -> int | None:
        """Find the line of a key, or that of the nearest key around it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return None


def _check_for_engine(document: Document, problems: Problems) -> None:
    """Tell the plain values that the engine's own reading of YAML would stop at."""
    for path, text in document.texts.items():
        try:
            yaml.safe_load(text)
        except (yaml.YAMLError, ValueError):
            problems.error(
                f"The workflow engine cannot read {quoted(text)}: without quotation marks it is "
                "taken for a date, a number or a sign.",
                "Put it in quotation marks.",
                line=document.line(*path),
            )


def read_yaml(path: Path, problems: Problems, for_engine: bool = False) -> Document | None:
    """Read a YAML file; an empty one is an empty mapping.

    The workflow engine, which may read it as well, takes UTF-8 only and gives more unquoted values
    a meaning.
    """
    text = read_text(path, problems, only_utf8=for_engine)
    if text is None:
        return None
    here = problems.at(file=path)
    try:
        node = yaml.compose(text, Loader=_PlainLoader)
        document = Document(path, {})
        if node is not None:
            document.data = _Walk(document, here).value(node, ())
    except yaml.MarkedYAMLError as error:
        line, found, remedy = _syntax(error, text)
        here.error(found, remedy, line=line)
        return None
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        here.error(
            "There is an invisible control character here.",
            "Delete it, or type the line anew.",
            line=line,
        )
        return None
    except (yaml.YAMLError, RecursionError, ValueError):
        here.error(
            "This file cannot be read as YAML.",
            "Compare it with the commented file that 'formkin new' writes.",
        )
        return None
    if for_engine:
        _check_for_engine(document, here)
    return document


def _syntax(error: yaml.MarkedYAMLError, text: str) -> tuple[int | None, str, str]:
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark is not None else None
    lines = text.split("\n")
    written = lines[mark.line] if mark is not None and mark.line < len(lines) else ""
    if "\t" in written[: len(written) - len(written.lstrip())] or "\\t" in (error.problem or ""):
        return line, "This line is indented with a tab.", "Indent with spaces: YAML takes no tabs."
    reason = (error.problem or "it is not valid YAML").replace("could not find", "lacks an")
    remedy = "Look for a missing colon, quotation mark or bracket here or in the line before."
    if "mapping values are not allowed" in reason:
        remedy = "Put the value in quotation marks if it has a colon in it; check the indentation."
    if "expected a single document" in (error.context or ""):
        return line, "A second document (---) begins here.", "Keep one document in the file."
    return line, f"This line cannot be read as YAML: {reason}.", remedy


class _Walk:
    """Turns composed nodes into values, noting lines on the way."""

    def __init__(self, document: Document, problems: Problems) -> None:
        self.document = document
        self.problems = problems
        self.seen: set[int] = set()

    def value(self, node: yaml.Node, path: KeyPath) -> Any:
        line = node.start_mark.line + 1
        self.document.lines.setdefault(path, line)
        if id(node) in self.seen and not isinstance(node, yaml.ScalarNode):
            self.problems.error(
                "A block is repeated here through an alias (*).",
                "Write the block out: aliases are not used in these files.",
                line=line,
            )
            return None
        self.seen.add(id(node))
        if node.tag not in _STANDARD:
            self.problems.error(
                f"There is a tag {quoted(node.tag)} here.",
                "Delete it; if the value itself begins with an exclamation mark, quote it.",
                line=line,
            )
            return None
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self.value(item, (*path, i)) for i, item in enumerate(node.value)]
        if isinstance(node, yaml.ScalarNode) and node.style is None:
            self.document.texts[path] = node.value
            return _meaning(node.value)
        return self._text(str(node.value), line)

    def _text(self, text: str, line: int) -> str:
        """The text without what it cannot hold, which is told."""
        wrong = {c for c in text if unicodedata.category(c) in {"Cc", "Cs"}} - _SPACES
        if not wrong:
            return text
        self.problems.error(
            f"There is a control character in {quoted(text)}.",
            "Type the text anew; a backslash in it is written twice, or between single "
            "quotation marks.",
            line=line,
        )
        return "".join(character for character in text if character not in wrong)

    def _mapping(self, node: yaml.MappingNode, path: KeyPath) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode):
                self.problems.error(
                    "A key here is a list or a block, not a word.",
                    "Write key: value; put a value with brackets or braces in quotation marks.",
                    line=line,
                )
                continue
            key = self._text(str(key_node.value), line)
            if key in result:
                first = self.document.lines[(*path, key)]
                self.problems.error(
                    f"The key {quoted(key)} stands twice; it is in line {first} already.",
                    "Keep one of the two.",
                    line=line,
                )
                continue
            self.document.lines[(*path, key)] = line
            result[key] = self.value(value_node, (*path, key))
        return result


def _meaning(text: str) -> str | int | float | bool | None:
    if text in {"", "~", "null", "Null", "NULL"}:
        return None
    if text in {"true", "True", "TRUE", "false", "False", "FALSE"}:
        return text.lower() == "true"
    if len(text) <= 300 and _WHOLE.match(text):
        return int(text)
    if len(text) <= 300 and _DECIMAL.match(text):
        number = float(text)
        return number if abs(number) != float("inf") else text
    return text
