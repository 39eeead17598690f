"""What the user wrote, read and checked: config, schemes, specimens, landmarks, scans.

Names are loaded when first used, so that ``import morpho.study.settings.config`` stays light.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOME = {
    "Problem": "reading.problems",
    "Problems": "reading.problems",
    "StudyError": "reading.problems",
    "StudyConfig": "settings.config",
    "read_config": "settings.config",
    "safe_name": "reading.paths",
    "Scheme": "scheme.reading",
    "read_scheme": "scheme.reading",
    "read_specimens": "specimens",
    "read_landmarks": "landmarks.reading",
    "read_scan": "scans.reading",
    "read_scan_with_notes": "scans.reading",
    "Study": "check",
    "check_study": "check",
    "read_element": "element",
    "start_study": "start",
}

__all__ = list(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
