"""Small studies that are run as a user runs them; the demo is run by the suite's conftest."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from helpers import invented


@pytest.fixture
def small(tmp_path: Path) -> Callable[..., Any]:
    """Makes a small `InventedStudy` that has not been run."""

    def make(taxa: dict[str, int] | None = None, *arguments: Any, **choices: Any) -> Any:
        taxa = {"ash": 6, "birch": 6} if taxa is None else taxa
        return invented.InventedStudy(tmp_path / "study", taxa, *arguments, **choices)

    return make
