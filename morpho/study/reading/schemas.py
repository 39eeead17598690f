"""Holding a YAML file against its JSON Schema, and saying in plain words where it departs."""

from __future__ import annotations

import copy
import functools
import json
from pathlib import Path
from typing import Any

from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import nearest, quoted
from morpho.study.reading.yaml_file import Document, KeyPath
from morpho.wording import listed

__all__ = [
    "CONFIG_FOLDER", "Schema", "check_against", "load_schema", "wanted_by", "with_defaults",
    "without",
]  # fmt: skip

Schema = dict[str, Any]

_REFERRED = ("$ref", "$defs")

CONFIG_FOLDER = Path(__file__).resolve().parents[3] / "config"


def _inlined(schema: Any, root: Schema) -> Any:
    """A schema with what it refers to in the place of each reference."""
    if isinstance(schema, list):
        return [_inlined(one, root) for one in schema]
    if not isinstance(schema, dict):
        return schema
    found = {key: _inlined(one, root) for key, one in schema.items() if key not in _REFERRED}
    if "$ref" in schema:
        target: Any = root
        for part in schema["$ref"].removeprefix("#/").split("/"):
            target = target[part]
        found = _inlined(target, root) | found
    return found


@functools.cache
def load_schema(name: str) -> Schema:
    """Read one of the schemas in ``config/schemas``, without references; do not change it."""
    path = CONFIG_FOLDER / "schemas" / f"{name}.schema.json"
    root = json.loads(path.read_text(encoding="utf-8"))
    found: Schema = _inlined(root, root)
    return found


def _child(schema: Schema, key: str | int) -> Schema:
    if isinstance(key, int):
        found = schema.get("items", {})
    else:
        found = schema.get("properties", {}).get(key, schema.get("additionalProperties", {}))
    return found if isinstance(found, dict) else {}


def _at(path: KeyPath, schema: Schema) -> Schema:
    for key in path:
        schema = _child(schema, key)
    return schema


def with_defaults(data: Any, schema: Schema) -> Any:
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
        below = _child(schema, key)
        if key in data:
            filled[key] = with_defaults(data[key], below)
        elif "default" in below:
            filled[key] = with_defaults(below["default"], below)
    return filled


def without(data: Any, bad: set[KeyPath], path: KeyPath = ()) -> Any:
    """Leave out what cannot be used (paths, as `check_against` gives them), to check the rest."""
    if isinstance(data, dict):
        return {
            key: without(value, bad, (*path, key))
            for key, value in data.items()
            if (*path, key) not in bad
        }
    if isinstance(data, list):
        kept = [(i, item) for i, item in enumerate(data) if (*path, i) not in bad]
        return [without(item, bad, (*path, i)) for i, item in kept]
    return data


def _label(path: KeyPath) -> str:
    words = ""
    for key in path:
        if isinstance(key, int):
            words += f" item {key + 1} "
        else:
            words += f".{key}" if words and not words.endswith(" ") else key
    return words.strip() or "the file"


def _bounds(schema: Schema) -> str:
    parts = []
    for keyword, word in (
        ("minimum", "at least"),
        ("exclusiveMinimum", "above"),
        ("maximum", "at most"),
        ("exclusiveMaximum", "below"),
    ):
        if keyword in schema:
            parts.append(f"{word} {schema[keyword]}")
    return ", " + " and ".join(parts) if parts else ""


def _written(value: Any) -> str:
    if value == "\t":
        return '"\\t" (a tab)'
    return quoted(value) if isinstance(value, str) and not value.isidentifier() else str(value)


def wanted_by(schema: Schema) -> str:
    """Say what a schema asks for, as in ``a whole number, at least 0``."""
    if "anyOf" in schema:
        return " or ".join(wanted_by(option) for option in schema["anyOf"])
    if "enum" in schema:
        return listed((_written(value) for value in schema["enum"]), last="or")
    kind = schema.get("type")
    if kind == "string":
        if "pattern" in schema:
            return "a name of letters, digits and underscores that begins with a letter"
        return "a text that is not empty" if schema.get("minLength") else "a text"
    if kind == "boolean":
        return "true or false"
    if kind == "integer":
        return "a whole number" + _bounds(schema)
    if kind == "number":
        return "a number" + _bounds(schema)
    if kind == "array":
        low, high = schema.get("minItems", 0), schema.get("maxItems")
        many = f"{low}" if low == high else f"{low} to {high}" if high else f"at least {low}"
        return "a list" + (f" of {many} entries" if low or high else "")
    if kind == "object":
        keys = schema.get("properties")
        return "a block of keys" + (f" ({listed(keys)})" if keys else "")
    return "something else"


def _shown(value: Any) -> str:
    if value is None:
        return "empty"
    if isinstance(value, dict):
        return "a block of keys" + (f" ({listed(value, most=4)})" if value else " with nothing in")
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, bool):
        return "true" if value else "false"
    return quoted(value) if isinstance(value, str) else str(value)


def _as_written(data: Any, schema: Schema, texts: dict, path: KeyPath = ()) -> Any:
    """Take an unquoted value as its text wherever the schema wants a text: specimen 0012."""
    if isinstance(data, dict):
        return {
            key: _as_written(value, _child(schema, key), texts, (*path, key))
            for key, value in data.items()
        }
    if "anyOf" in schema:
        options = schema["anyOf"]
        if isinstance(data, list):
            options = [option for option in options if option.get("type") == "array"]
        if any(option.get("type") in {"integer", "number"} for option in options):
            return data
        schema = options[0] if options else {}
    if isinstance(data, list):
        return [
            _as_written(item, _child(schema, i), texts, (*path, i)) for i, item in enumerate(data)
        ]
    wants_text = schema.get("type") == "string" or all(
        isinstance(value, str) for value in schema.get("enum", [0])
    )
    if wants_text and isinstance(data, (int, float)):
        return texts.get(path, data)
    return data


def _homes(key: str, schema: Schema, path: KeyPath = ()) -> list[str]:
    """Find blocks of the file in which a key is known."""
    found = []
    for name, below in schema.get("properties", {}).items():
        if name == key and path:
            found.append(_label(path))
        found.extend(_homes(key, below, (*path, name)))
    return found


def _tell_unknown(
    document: Document, path: KeyPath, value: dict, root: Schema, problems: Problems
) -> list[KeyPath]:
    known = list(_at(path, root).get("properties", {}))
    bad = []
    for key in value:
        if key in known:
            continue
        bad.append((*path, key))
        near = nearest(key, known)
        homes = _homes(key, root)
        if near:
            remedy = f"Did you mean {near}?"
        elif homes:
            remedy = f"{key} belongs under {listed(homes, last='or')}."
        else:
            remedy = f"Known here: {listed(known, most=20)}."
        place = f" in {_label(path)}" if path else ""
        problems.error(
            f"The key {quoted(key)} is not known{place}.",
            remedy,
            file=document.file,
            line=document.line(*path, key),
        )
    return bad


def check_against(document: Document, root: Schema, problems: Problems) -> set[KeyPath]:
    """Hold a document against a schema, tell every departure, and give the paths of what is wrong.

    The document's ``data`` is changed in one way: unquoted numbers are taken as texts where the
    schema wants a text.
    """
    from jsonschema import Draft202012Validator  # takes longer than all else here

    here = problems.at(file=document.file)
    document.data = _as_written(document.data, root, document.texts)
    bad: set[KeyPath] = set()
    for error in Draft202012Validator(root).iter_errors(document.data):
        path: KeyPath = tuple(error.absolute_path)
        value = error.instance
        if error.validator == "additionalProperties":
            bad.update(_tell_unknown(document, path, value, root, problems))
            continue
        if error.validator == "required":
            missing = error.message.split("'")[1]
            below = _child(_at(path, root), missing)
            here.error(
                f"The key {missing} is missing{f' in {_label(path)}' if path else ''}.",
                f"Add it: {below.get('description', wanted_by(below))}",
                line=document.line(*path),
            )
            bad.add(path)
            continue
        if error.validator in {"pattern", "propertyNames"} and "propertyNames" in list(
            error.absolute_schema_path
        ):
            path = (*path, value)
            schema: Schema = {"type": "string", "pattern": ""}
            found = f"The name {quoted(value)} in {_label(path[:-1])} cannot be used"
        else:
            schema = _at(path, root)
            found = f"{_label(path)} is {_shown(value)}"
        bad.add(path)
        remedy = f"It must be {wanted_by(schema)}."
        near = nearest(str(value), [str(v) for v in schema.get("enum", [])])
        if near:
            remedy += f" Did you mean {near}?"
        elif value is None and "default" in schema:
            remedy += " Or leave the line out to have the default."
        here.error(
            found[0].upper() + found[1:] + "." if not path else found + ".",
            remedy,
            line=document.line(*path),
        )
    return bad
