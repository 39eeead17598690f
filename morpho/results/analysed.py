"""What is read of an element that was analysed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

__all__ = ["Analysed"]


@dataclass(frozen=True)
class Analysed:
    """An element: its name, its tables, and the notes of its steps."""

    name: str
    tables: Mapping[str, pd.DataFrame]
    notes: Mapping[str, Mapping[str, Any]]
