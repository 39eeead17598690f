"""Rows of specimens that are not in the specimen table: told once it is known who has rows."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import Suggestions, looks_alike, quoted, squeezed

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
        self._known = list(known)
        self._suggest = Suggestions(self._known)
        self._by_zeros: dict[str, list[str]] = {}
        for name in self._known:
            self._by_zeros.setdefault(_without_zeros(name), []).append(name)
        self._rows: list[tuple[Path, int, str, str, str]] = []

    def add(self, path: Path, line: int, element: str, specimen: str, landmark: str) -> None:
        """Keep a row."""
        self._rows.append((path, line, element, specimen, landmark))

    def tell(self, landmarks: Mapping[str, Iterable[tuple[str, str]]], problems: Problems) -> None:
        """Tell every row kept, given specimen and landmark of those understood, by element."""
        if not self._rows:
            return
        rows = {element: set(pairs) for element, pairs in landmarks.items()}
        digitised = {element: {name for name, _ in pairs} for element, pairs in rows.items()}
        anywhere: set[str] = set().union(*digitised.values())
        for path, line, element, specimen, landmark in self._rows:
            here, taken = digitised.get(element, set()), rows.get(element, set())

            def fits(
                name: str,
                landmark: str = landmark,
                here: set[str] = here,
                taken: set[tuple[str, str]] = taken,
            ) -> bool:
                return name not in anywhere or (name in here and (name, landmark) not in taken)

            problems.error(
                f"The specimen {quoted(specimen)} is not in the specimen table.",
                self._remedy(specimen, fits),
                file=path,
                line=line,
                element=element,
                landmark=landmark or None,
            )

    def _remedy(self, written: str, fits: Callable[[str], bool]) -> str:
        correct = "Correct the name, or add the specimen to the table."
        zeros = self._by_zeros.get(_without_zeros(written), [])
        if len(zeros) == 1 and not looks_alike(zeros[0], written):
            if fits(zeros[0]):
                return (
                    f"Did you mean {quoted(zeros[0])}? A spreadsheet takes the zeros off a number: "
                    "write the name the same way in both tables."
                )
            return (
                f"The table has {quoted(zeros[0])}, which has rows of its own: see whether a "
                f"spreadsheet took zeros off a number there. {correct}"
            )
        for near in self._suggest.ranked(written):
            if looks_alike(near, written) or fits(near):
                return f"Did you mean {quoted(near)}? {correct}"
        return correct
