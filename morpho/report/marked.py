"""Text with names and citations marked in it, to be written as Markdown or as plain text."""

from __future__ import annotations

import re

from morpho.report.bibliography import REFERENCES
from morpho.report.references import sources_of

__all__ = ["cited_keys", "citing", "named", "to_markdown", "to_plain"]

# Marks that no name can hold: control characters are taken out of names.
_NAME, _CITED, _END = "\x02", "\x03", "\x04"
_MARKED = re.compile(f"([{_NAME}{_CITED}])([^{_END}]*){_END}")
# What Markdown takes for more than itself: anywhere, and where a paragraph begins.
_MEANS = re.compile(r"([\\`*_{}\[\]<>#|~^$&@]|(?<=-)-)")
_BEGINS = re.compile(r"^(\s*)([-+=:])")
_NUMBERED = re.compile(r"^(\d+)([.)])")


def named(name: str) -> str:
    """Mark a name that the user gave, which is text whatever stands in it.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
    """
    plain = "".join(sign if sign.isprintable() else " " for sign in str(name))
    return f"{_NAME}{plain}{_END}"


def citing(*methods: str) -> str:
    """Mark a citation of the sources of methods.

    Parameters
    ----------
    *methods : str
        Names in `morpho.report.references.METHODS`.

    Returns
    -------
    str
        With a space before it.
    """
    keys = dict.fromkeys(source.key for name in methods for source in sources_of(name))
    return f" {_CITED}{' '.join(keys)}{_END}"


def to_markdown(text: str) -> str:
    """Write marked text as Markdown, citations as ``[@key; @key]``.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """

    def shown(found: re.Match[str]) -> str:
        if found[1] == _NAME:
            escaped = _MEANS.sub(r"\\\1", found[2])
            return _BEGINS.sub(r"\1\\\2", _NUMBERED.sub(r"\1\\\2", escaped))
        return "[" + "; ".join(f"@{key}" for key in found[2].split()) + "]"

    return _MARKED.sub(shown, text)


def to_plain(text: str) -> str:
    """Write marked text as plain text, citations as (Author year; Author year).

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """

    def shown(found: re.Match[str]) -> str:
        if found[1] == _NAME:
            return found[2]
        return "(" + "; ".join(REFERENCES[key].label for key in found[2].split()) + ")"

    return _MARKED.sub(shown, text)


def cited_keys(text: str) -> set[str]:
    """Keys of the sources cited in marked text.

    Parameters
    ----------
    text : str

    Returns
    -------
    set of str
    """
    return {key for mark, keys in _MARKED.findall(text) if mark == _CITED for key in keys.split()}
