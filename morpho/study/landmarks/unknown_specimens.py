"""Rows of specimens that are not in the specimen table: told once it is known who has rows."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from functools import cache

from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import Suggestions, looks_alike, meant, quoted, squeezed

__all__ = ["UnknownSpecimens"]

_NUMBER = re.compile(r"0*([0-9]+)")


def _without_zeros(name: str) -> str:
    return _NUMBER.sub(r"\1", squeezed(name))


class UnknownSpecimens:
    """Keeps the rows whose specimen is not known, and tells them with what was probably meant.

    A specimen that has the row's landmark already is not suggested: whoever followed the suggestion
    would mix two specimens. Only a name that looks the same is.
    """

    def __init__(self, known: Iterable[str]) -> None:
        self._suggest = Suggestions(known)
        self._by_zeros: dict[str, list[str]] = defaultdict(list)
        for name in self._suggest.known:
            self._by_zeros[_without_zeros(name)].append(name)
        self._rows: list[tuple[Problems, str, str, str]] = []

    def add(self, here: Problems, element: str, specimen: str, landmark: str) -> None:
        """Keep a row."""
        self._rows.append((here, element, specimen, landmark))

    def tell(self, landmarks: Mapping[str, Iterable[tuple[str, str]]]) -> None:
        """Tell every row kept, given specimen and landmark of those understood, by element."""
        anywhere = {name for pairs in landmarks.values() for name, _ in pairs}

        @cache
        def taken(element: str, landmark: str) -> set[str]:
            names = {name for name, _ in landmarks[element]}
            return anywhere - names | {name for name, has in landmarks[element] if has == landmark}

        for here, element, specimen, landmark in self._rows:
            here.error(
                f"The specimen {quoted(specimen)} is not in the specimen table.",
                self._remedy(specimen, taken(element, landmark)),
            )

    def _remedy(self, written: str, taken: set[str]) -> str:
        correct = "Correct the name, or add the specimen to the table."
        zeros = self._by_zeros.get(_without_zeros(written), [])
        if len(zeros) == 1 and not looks_alike(zeros[0], written):
            if zeros[0] not in taken:
                return (
                    f"{meant(zeros[0], quoted)} A spreadsheet takes the zeros off a number: "
                    "write the name the same way in both tables."
                )
            return (
                f"The table has {quoted(zeros[0])}, which has rows of its own: see whether a "
                f"spreadsheet took zeros off a number there. {correct}"
            )
        for near in self._suggest.ranked(written):
            if looks_alike(near, written) or near not in taken:
                return f"{meant(near, quoted)} {correct}"
        return correct
