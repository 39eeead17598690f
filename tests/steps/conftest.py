"""Small studies of invented bones, made where a test asks for them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers import invented


@pytest.fixture
def invent(tmp_path: Path) -> Callable[..., Any]:
    """Makes an `InventedStudy` in a folder of the test."""

    def make(taxa: dict[str, int] | None = None, *arguments: Any, **choices: Any) -> Any:
        taxa = {"ash": 6, "birch": 6} if taxa is None else taxa
        return invented.InventedStudy(tmp_path / "study", taxa, *arguments, **choices)

    return make


@pytest.fixture(scope="module")
def invent_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Any]:
    """Makes an `InventedStudy` that all tests of a module look at."""

    def make(taxa: dict[str, int], *arguments: Any, **choices: Any) -> Any:
        folder = tmp_path_factory.mktemp("shared") / "study"
        return invented.InventedStudy(folder, taxa, *arguments, **choices)

    return make


@pytest.fixture
def only_svg() -> Iterator[None]:
    """Writes figures as SVG: PDF and PNG take most of the time."""
    with invented.sketched(svg=True):
        yield


@pytest.fixture
def sketched() -> Iterator[None]:
    """Draws figures and writes only their names: how they come out is looked at elsewhere."""
    with invented.sketched():
        yield
