"""What is wrong with a study, said so that its author can put it right."""

from __future__ import annotations

import copy
import os
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypedDict, TypeVar, Unpack

from morpho.study.reading.wording import shortened, visible
from morpho.wording import counted

__all__ = ["Problem", "Problems", "Severity", "StudyError", "Where", "refusal"]

Severity = Literal["error", "warning", "note"]
Found = TypeVar("Found")

# More problems of one kind than this are shortened to the first few and a count.
MOST_OF_A_KIND = 20
SHOWN_OF_A_KIND = 5


class Where(TypedDict, total=False):
    """Where a problem is."""

    file: Path | None
    line: int | None
    element: str | None
    specimen: str | None
    landmark: str | None


@dataclass(frozen=True)
class Problem:
    """One thing found in the user's files: an error stops the study, the others do not."""

    severity: Severity
    found: str
    remedy: str
    file: Path | None = None
    line: int | None = None  # counted from 1
    element: str | None = None
    specimen: str | None = None
    landmark: str | None = None

    @property
    def kind(self) -> tuple[str, str]:
        """Problems whose findings differ only in names and numbers are of one kind."""
        return self.severity, re.sub(r'"[^"]*"|[0-9][0-9.,]*', "#", self.found)

    def lines(self) -> list[str]:
        """Tell it in two lines, with where in the file it is: line, element, specimen, landmark."""
        places = {name: getattr(self, name) for name in ("line", "element", "specimen", "landmark")}
        told = {name: visible(shortened(one)) for name, one in places.items() if one is not None}
        where = [f", {name} {one}" for name, one in told.items()]
        return [f"  {self.severity}{''.join(where)}: {self.found}", f"    {self.remedy}"]


class Problems:
    """Collects problems while the files are read, so that all are told at once.

    File names are shown relative to the folder `base`.

    Examples
    --------
    >>> problems = Problems()
    >>> problems.error("The table is empty.", "Write one row a specimen.", file=Path("a.csv"))
    >>> print(problems.render())
    a.csv
      error: The table is empty.
        Write one row a specimen.
    """

    def __init__(self, items: Iterable[Problem] = (), base: Path | None = None) -> None:
        self._items: dict[Problem, None] = dict.fromkeys(items)
        self._where: Where = {}
        self.base = base

    def __iter__(self) -> Iterator[Problem]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def add(self, problem: Problem) -> None:
        """Add one problem; the very same problem is kept only once."""
        self._items.setdefault(problem)

    def at(self, **where: Unpack[Where]) -> Problems:
        """Give the same collection, for problems that are found at one place.

        What is added to it is at this place, unless it says otherwise itself.
        """
        here = copy.copy(self)
        here._where = self._where | where
        return here

    def tell(self, severity: Severity, found: str, remedy: str, **where: Unpack[Where]) -> None:
        """Add a problem."""
        self.add(Problem(severity, found, remedy, **(self._where | where)))

    def error(self, found: str, remedy: str, **where: Unpack[Where]) -> None:
        """Add an error."""
        self.tell("error", found, remedy, **where)

    def warning(self, found: str, remedy: str, **where: Unpack[Where]) -> None:
        """Add a warning."""
        self.tell("warning", found, remedy, **where)

    def note(self, found: str, remedy: str, **where: Unpack[Where]) -> None:
        """Add a note."""
        self.tell("note", found, remedy, **where)

    @property
    def errors(self) -> list[Problem]:
        """The errors."""
        return [problem for problem in self if problem.severity == "error"]

    @property
    def warnings(self) -> list[Problem]:
        """The warnings."""
        return [problem for problem in self if problem.severity == "warning"]

    def shown_path(self, file: Path | None) -> str:
        """Name a file as messages do: relative to the study's folder, with forward slashes."""
        if file is None:
            return "the study"
        if self.base is not None:
            with suppress(ValueError):  # on another drive
                file = Path(os.path.relpath(file, self.base))
        return visible(file.as_posix())

    def count(self) -> str:
        """Count the problems in one phrase: ``2 errors, 1 warning, no notes``."""
        numbers = Counter(problem.severity for problem in self._items)
        return ", ".join(
            counted(n, severity) if (n := numbers[severity]) else f"no {severity}s"
            for severity in ("error", "warning", "note")
        )

    def render(self, severities: Iterable[str] = ("error", "warning", "note")) -> str:
        """Write the problems as plain text, by file and line.

        Many problems of one kind in a file, or over many files, are shortened to the first few and
        a count.
        """
        wanted, order = set(severities), ("error", "warning", "note")
        by_file: dict[str, list[Problem]] = defaultdict(list)
        for problem in sorted(
            self, key=lambda p: (p.line is None, p.line or 0, order.index(p.severity))
        ):
            if problem.severity in wanted:
                by_file[self.shown_path(problem.file)].append(problem)
        files_of = Counter(kind for found in by_file.values() for kind in {p.kind for p in found})
        blocks = []
        told: Counter[tuple[str, str]] = Counter()
        for name, problems in sorted(by_file.items()):
            lines = []
            in_file, shown = Counter(problem.kind for problem in problems), Counter[Any]()
            for problem in problems:
                kind = problem.kind
                if files_of[kind] > MOST_OF_A_KIND and told[kind] >= SHOWN_OF_A_KIND:
                    continue
                most = MOST_OF_A_KIND if in_file[kind] <= MOST_OF_A_KIND else SHOWN_OF_A_KIND
                shown[kind] += 1
                if shown[kind] <= most:
                    lines += problem.lines()
                elif shown[kind] == most + 1:
                    lines.append(f"  ... and {in_file[kind] - most} more like it in this file")
            for kind in shown:
                told[kind] += 1
                if told[kind] == SHOWN_OF_A_KIND and files_of[kind] > MOST_OF_A_KIND:
                    others = files_of[kind] - SHOWN_OF_A_KIND
                    lines.append(f"  ... and the like in {others} more files")
            if lines:
                blocks += [name, *lines]
        return "\n".join(blocks)

    def extend(self, problems: Iterable[Problem]) -> None:
        """Add several problems."""
        for problem in problems:
            self.add(problem)

    def raise_if_errors(self) -> None:
        """Stop if there is an error among the problems."""
        if self.errors:
            raise StudyError(self)

    def sound(self, found: Found | None) -> Found:
        """Give what was found; stop if there is an error among the problems, or nothing."""
        self.raise_if_errors()
        if found is None:  # cannot be: that nothing was found is an error
            raise ValueError("nothing could be read")
        return found


class StudyError(ValueError):
    """The user's files cannot be used as they are; the message tells every error."""

    def __init__(self, problems: Problems) -> None:
        super().__init__(problems)
        self.problems = problems

    def __str__(self) -> str:
        return self.problems.render(["error"])


def refusal(found: str, remedy: str, file: Path) -> StudyError:
    """Make the error of a file that has one problem."""
    return StudyError(Problems([Problem("error", found, remedy, file)]))
