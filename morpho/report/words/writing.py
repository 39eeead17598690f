"""Sentences from templates, and the two ways to write them: as Markdown, and plain as on the page.

A template holds our own words as literal text. Whatever it puts in between double braces is the
user's, and is marked as it passes, unless a filter or another macro has made words of it; so no
name can be taken for anything but a name, wherever the sentence is written. An empty line parts
paragraphs, but only in the macro that is asked for: what another one says in it is part of a line.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from morpho.report.words.filters import END, FILTERS, NAME, TESTS, marked
from morpho.report.words.sources import REFERENCES

__all__ = ["as_markdown", "as_plain", "cited", "paragraphs", "said"]

# The mark of a citation, beside that of a name.
_CITED = "\x03"
_MARKED = re.compile(f"([{NAME}{_CITED}])([^{END}]*){END}")
# What Markdown takes for more than itself: anywhere, and where a paragraph begins.
_MEANS = re.compile(r"([\\`*_{}\[\]<>#|~^$&@]|(?<=-)-)")
_BEGINS = re.compile(r"^(\s*)([-+=:])")
_NUMBERED = re.compile(r"^(\d+)([.)])")
# White space that a template leaves: lines of a paragraph, and before signs that close; in names
# it stays as it is.
_SPACE = re.compile(f"({NAME}[^{END}]*{END})|\\s+")
_CLOSES = re.compile(f"({NAME}[^{END}]*{END})| +(?=[,.;:!?)])|(?<=\\() +")
_BETWEEN = re.compile(r"\n[ \t]*\n")


def _cite(*keys: str) -> Markup:
    """Mark a citation of sources by their keys in references.bib."""
    unknown = [key for key in keys if key not in REFERENCES]
    if unknown:
        raise KeyError(f"references.bib holds no {', '.join(unknown)}")
    return Markup(f" {_CITED}{' '.join(keys)}{END}")


def _one_line(text: str) -> str:
    """Text with single blanks for white space outside names."""
    return _SPACE.sub(lambda found: found[1] or " ", text)


def _passed(value: Any) -> Markup:
    """What a template puts out, on one line."""
    return Markup(_one_line(marked(value)))


@cache
def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_passed,
    )
    made.filters |= FILTERS
    made.tests |= TESTS
    made.globals["cite"] = _cite
    return made


def said(template: str, macro: str, /, *facts: Any, **named: Any) -> Markup:
    """Make marked words of facts, by a macro of a template of this folder."""
    module = _environment().get_template(f"{template}.jinja").module
    return getattr(module, macro)(*facts, **named)


def _closed_up(text: str) -> str:
    """Text without the white space that lines and blocks of a template leave."""
    return _CLOSES.sub(lambda found: found[1] or "", _one_line(text)).strip()


def paragraphs(text: str) -> list[Markup]:
    """Take marked text apart where an empty line parts it."""
    return [Markup(part) for part in map(_closed_up, _BETWEEN.split(text)) if part]


def _written(text: str, name: Callable[[str], str], cited: Callable[[list[str]], str]) -> str:
    """Marked text with its names and its citations written by these."""
    return _MARKED.sub(
        lambda found: name(found[2]) if found[1] == NAME else cited(found[2].split()),
        _closed_up(text),
    )


def as_markdown(text: str) -> str:
    """Write marked text as Markdown, citations as ``[@key; @key]``."""

    def escaped(name: str) -> str:
        return _BEGINS.sub(r"\1\\\2", _NUMBERED.sub(r"\1\\\2", _MEANS.sub(r"\\\1", name)))

    return _written(text, escaped, lambda keys: f"[{'; '.join(f'@{key}' for key in keys)}]")


def as_plain(text: str) -> str:
    """Write marked text as plain text, citations as (Author year; Author year).

    A page escapes it.
    """
    return _written(text, str, lambda keys: f"({'; '.join(REFERENCES[key].label for key in keys)})")


def cited(text: str) -> set[str]:
    """Keys of the sources that marked text cites."""
    return {key for mark, keys in _MARKED.findall(text) if mark == _CITED for key in keys.split()}
