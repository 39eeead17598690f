"""Small pieces of wording that the messages of the intake layer share."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Callable, Iterable

__all__ = [
    "Suggestions", "looks_alike", "meant", "nearest", "quoted", "shortened",
    "squeezed", "visible",
]  # fmt: skip


def visible(text: object) -> str:
    r"""Make a text safe to show: a cell cannot change a terminal's colours or contents.

    Examples
    --------
    >>> visible("ridge\x1bdormouse")
    'ridge\\x1bdormouse'
    """
    return "".join(
        character.encode("unicode_escape").decode("ascii")
        if unicodedata.category(character) in {"Cc", "Cf", "Cs", "Zl", "Zp"}
        else character
        for character in str(text)
    )


def shortened(text: object, longest: int = 60) -> str:
    """Cut a text that is too long for a message."""
    shown = str(text)
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def quoted(text: object, longest: int = 60) -> str:
    """Put what the user wrote between quotation marks, safe to show; longer texts are cut.

    Examples
    --------
    >>> quoted("ridge dormouse", longest=6)
    '"ridge…"'
    """
    return f'"{visible(shortened(text, longest))}"'


def squeezed(name: str) -> str:
    """Reduce a name to what a reader sees of it, for telling look-alikes.

    Case, white space, invisible characters and the Unicode normalisation form are levelled.

    Examples
    --------
    >>> squeezed("Ridge  01") == squeezed("RIDGE 01 ")
    True
    """
    level = unicodedata.normalize("NFKC", name).casefold()
    return "".join(
        character
        for character in unicodedata.normalize("NFKC", level)
        if not character.isspace() and unicodedata.category(character) != "Cf"
    )


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Find the known name that a misspelt one was probably meant to be.

    Examples
    --------
    >>> nearest("coronoid-tip", ["coronoid_tip", "condyle_front"])
    'coronoid_tip'
    """
    return next(iter(_close(name, known, 1)), None)


def meant(near: str | None, shown: Callable[[str], str] = str) -> str:
    """Ask for the name that was probably meant, if there is any."""
    return f"Did you mean {shown(near)}?" if near else ""


def _close(name: str, known: Iterable[str], most: int) -> list[str]:
    by_look: dict[str, str] = {}
    for candidate in known:
        by_look.setdefault(_loose(candidate), candidate)
    found = difflib.get_close_matches(_loose(name)[:200], list(by_look), n=most)
    return [by_look[look] for look in found]


class Suggestions:
    """Ranks the names near to many misspelt ones, the nearest first, without taking long.

    For more than `most` different names none is suggested: then it is no misspelling but a wrong
    column.

    Examples
    --------
    >>> Suggestions(["tip", "heel"]).ranked("heal")
    ['heel']
    """

    def __init__(self, known: Iterable[str], most: int = 200) -> None:
        self.known = list(known)
        self.most = most
        self._found: dict[str, list[str]] = {}

    def ranked(self, name: str) -> list[str]:
        """Rank the known names that are near; those that nobody would take for it are left out."""
        if name not in self._found and len(self._found) < self.most:
            self._found[name] = _close(name, self.known, max(1, len(self.known)))
        return self._found.get(name, [])


def looks_alike(first: str, second: str) -> bool:
    """Tell whether two names differ in capitals, white space, hyphens and underscores only.

    Examples
    --------
    >>> looks_alike("A-2", "a 2")
    True
    """
    return _loose(first) == _loose(second)


def _loose(name: str) -> str:
    return squeezed(name).replace("-", "").replace("_", "")
