"""What is read of an element that was analysed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Protocol

import pandas as pd

__all__ = ["Analysed"]


class Analysed(Protocol):
    """An element: its name, its tables, and the notes of its steps."""

    @property
    def name(self) -> str:
        """Name of the element."""

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Its tables."""

    @property
    def notes(self) -> Mapping[str, Mapping[str, Any]]:
        """Notes by step."""
