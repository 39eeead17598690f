"""The JSON Schema of study.yaml, made from its blocks."""

from __future__ import annotations

import inspect
from dataclasses import MISSING, Field, fields
from functools import cache
from types import NoneType
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints

from morpho.study.settings.blocks import Block, Settings, block_in

__all__ = ["study_schema"]

_TYPES = {str: "string", bool: "boolean", int: "integer", float: "number"}


@cache
def study_schema(block: type[Block] = Settings) -> dict[str, Any]:
    """Make the JSON Schema of study.yaml, of draft 2020-12; do not change it."""
    about = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "study.yaml"}
    return about | _of_block(block)


def _of_block(block: type[Block]) -> dict[str, Any]:
    kinds = get_type_hints(block, include_extras=True)
    each: tuple[Field[Any], ...] = fields(block)
    asked = [one.name for one in each if one.metadata["needed"]]
    return {
        "type": "object",
        "description": " ".join(inspect.getdoc(block).split()),  # type: ignore[union-attr]
        "additionalProperties": False,
        **({"required": asked} if asked else {}),
        "properties": {one.name: _of_key(one, kinds[one.name]) for one in each},
    }


def _of_key(one: Field[Any], kind: Any) -> dict[str, Any]:
    more = dict(one.metadata)
    says, is_needed, keys = more.pop("says"), more.pop("needed"), more.pop("keys", None)
    found = _of_kind(kind) | more
    if keys:
        found["additionalProperties"] = False
        found["properties"] = {
            name: {"type": "string", "description": text} for name, text in keys.items()
        }
    default = one.default_factory() if one.default_factory is not MISSING else one.default
    if not is_needed and default is not None:
        found["default"] = {} if isinstance(default, Block) else default
    return found | ({"description": says} if says else {})


def _of_kind(kind: Any) -> dict[str, Any]:
    """What a type asks of a value."""
    origin, inner = get_origin(kind), get_args(kind)
    if block := block_in(kind):
        return _of_block(block)
    if origin is Annotated:
        return _of_kind(inner[0]) | dict(zip(inner[1::2], inner[2::2], strict=True))
    if origin is Literal:
        return {"enum": list(inner)}
    if origin is list:
        return {"type": "array", "items": _of_kind(inner[0])}
    if origin is dict:
        return {"type": "object", "additionalProperties": _of_kind(inner[1])}
    if kind in _TYPES:
        return {"type": _TYPES[kind]}
    # what may be None is left out, not written
    kinds = [_of_kind(one) for one in inner if one is not NoneType]
    return kinds[0] if len(kinds) == 1 else {"anyOf": kinds}
