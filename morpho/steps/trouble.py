"""What a step could not compute, noted as key words and facts."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from morpho.shape.checks import Refusal

__all__ = ["Trouble"]


class Trouble:
    """Refusals that a step met and went on after.

    Its rows are for the notes of the step: the `part` of its work, facts that tell which, the
    `code` of the refusal (blank where it has none) and the refusal's own facts.
    """

    def __init__(self, logged: bool = True) -> None:
        self._logged = logged
        self.rows: list[dict[str, Any]] = []

    def note(self, part: str, code: str, **facts: Any) -> None:
        """Note what is no refusal, but could not be told either."""
        self.rows.append({"part": part, **facts, "code": code})

    def refused(self, part: str, error: Refusal, **facts: Any) -> None:
        """Note a refusal."""
        if self._logged:
            print(f"{', '.join(map(str, [part, *facts.values()]))}: {error}")
        self.note(part, error.code, **facts, **error.facts)

    @contextmanager
    def met(self, part: str, **facts: Any) -> Iterator[None]:
        """Note a refusal of the block within, and go on after it."""
        try:
            yield
        except Refusal as error:
            self.refused(part, error, **facts)
