"""What the user wrote, read and checked: config, schemes, specimens, landmarks, scans.

Names are loaded when first used, so that ``import morpho.study.config`` stays light.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOME = {
    "Problem": "problems",
    "Problems": "problems",
    "StudyError": "problems",
    "StudyConfig": "config",
    "read_config": "config",
    "safe_name": "files",
    "Scheme": "scheme",
    "read_scheme": "scheme",
    "read_specimens": "specimens",
    "read_landmarks": "landmarks",
    "read_scan": "scans",
    "read_scan_with_notes": "scans",
    "patch_carriers": "templates",
    "patch_points": "templates",
    "template_of": "templates",
    "Study": "check",
    "check_study": "check",
    "read_element": "check",
    "start_study": "start",
}

__all__ = list(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
