"""Holding a YAML file against its JSON Schema, and saying in plain words where it departs."""

from __future__ import annotations

import functools
import json
from typing import Any

from morpho.house import workflow_folder
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import meant, nearest, quoted
from morpho.study.reading.yaml_file import Document, KeyPath
from morpho.wording import listed

__all__ = [
    "CONFIG_FOLDER", "Schema", "check_against", "load_schema", "wanted_by", "without",
]  # fmt: skip

Schema = dict[str, Any]

CONFIG_FOLDER = workflow_folder() / "config"


@functools.cache
def load_schema(name: str) -> Schema:
    """Read one of the schemas in ``config/schemas``, without references; do not change it."""
    text = (CONFIG_FOLDER / "schemas" / f"{name}.schema.json").read_text(encoding="utf-8")
    parts: dict[str, Schema] = {}

    def put_in_place(found: Schema) -> Schema:
        return parts.get(found.pop("$ref", ""), {}) | found

    for _ in range(3):  # a part may refer to another
        schema: Schema = json.loads(text, object_hook=put_in_place)
        parts = {f"#/$defs/{key}": part for key, part in schema.pop("$defs", {}).items()}
    return schema


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


_BOUNDS = {
    "minimum": "at least",
    "exclusiveMinimum": "above",
    "maximum": "at most",
    "exclusiveMaximum": "below",
}
_KINDS = {"boolean": "true or false", "integer": "a whole number", "number": "a number"}


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
            name = "a name of letters, digits and underscores that begins with a letter"
            return name + (f", {schema['maxLength']} at most" if "maxLength" in schema else "")
        return "a text that is not empty" if schema.get("minLength") else "a text"
    if kind == "array":
        low, high = schema.get("minItems", 0), schema.get("maxItems")
        many = f"{low}" if low == high else f"{low} to {high}" if high else f"at least {low}"
        return "a list" + (f" of {many} entries" if low or high else "")
    if kind == "object":
        keys = schema.get("properties")
        return "a block of keys" + (f" ({listed(keys)})" if keys else "")
    bounds = [f"{word} {schema[bound]}" for bound, word in _BOUNDS.items() if bound in schema]
    return _KINDS.get(str(kind), "something else") + (", " + " and ".join(bounds) if bounds else "")


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


def _tell_unknown(path: KeyPath, key: str, root: Schema, here: Problems) -> None:
    known = list(_at(path, root).get("properties", {}))
    renamed = [now for now in known if _child(_at(path, root), now).get("formerly") == key]
    homes = _homes(key, root)
    otherwise = (
        f"{key} belongs under {listed(homes, last='or')}."
        if homes
        else f"Known here: {listed(known, most=20)}."
    )
    here.error(
        f"The key {quoted(key)} is not known{f' in {_label(path)}' if path else ''}.",
        f"It is called {renamed[0]} now." if renamed else meant(nearest(key, known)) or otherwise,
    )


def check_against(document: Document, root: Schema, problems: Problems) -> set[KeyPath]:
    """Hold a document against a schema, tell every departure, and give the paths of what is wrong.

    The document's ``data`` is changed in one way: unquoted numbers are taken as texts where the
    schema wants a text.
    """
    from jsonschema import Draft202012Validator  # takes longer than all else here

    document.data = _as_written(document.data, root, document.texts)
    bad: set[KeyPath] = set()
    for error in Draft202012Validator(root).iter_errors(document.data):
        path: KeyPath = tuple(error.absolute_path)
        schema, value = _at(path, root), error.instance
        here = problems.at(file=document.file, line=document.line(*path))
        if error.validator == "additionalProperties":
            for key in (key for key in value if key not in schema.get("properties", {})):
                _tell_unknown(path, key, root, here.at(line=document.line(*path, key)))
                bad.add((*path, key))
            continue
        if error.validator == "required":
            missing = error.message.split("'")[1]
            below = _child(schema, missing)
            here.error(
                f"The key {missing} is missing{f' in {_label(path)}' if path else ''}.",
                f"Add it: {below.get('description', wanted_by(below))}",
            )
            bad.add(path)
            continue
        found = f"{_label(path)} is {_shown(value)}."
        if "propertyNames" in error.absolute_schema_path:
            found = f"The name {quoted(value)} in {_label(path)} cannot be used."
            path, schema = (*path, value), {"type": "string"} | schema["propertyNames"]
        bad.add(path)
        hint = meant(nearest(str(value), map(str, schema.get("enum", []))))
        if not hint and value is None and "default" in schema:
            hint = "Or leave the line out to have the default."
        here.error(
            found if path else found[0].upper() + found[1:],
            f"It must be {wanted_by(schema)}. {hint}".rstrip(),
            line=document.line(*path),
        )
    return bad
