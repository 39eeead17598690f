"""Defaults as a JSON Schema states them, to hold those of the program against."""

from __future__ import annotations

import copy
from typing import Any

__all__ = ["with_defaults"]


def with_defaults(data: Any, schema: dict[str, Any]) -> Any:
    """Fill in every default that the schema states, at all depths, in data that agree with it.

    Examples
    --------
    >>> with_defaults({}, {"properties": {"seed": {"default": 1}}})
    {'seed': 1}
    """
    if isinstance(data, list):
        return [with_defaults(item, schema.get("items", {})) for item in data]
    if not isinstance(data, dict):
        return copy.deepcopy(data)
    filled = {}
    known = schema.get("properties", {})
    for key in [*known, *(key for key in data if key not in known)]:
        below = known.get(key, schema.get("additionalProperties") or {})
        if key in data:
            filled[key] = with_defaults(data[key], below)
        elif "default" in below:
            filled[key] = with_defaults(below["default"], below)
    return filled
