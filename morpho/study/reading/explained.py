"""A schema explained to people: a file to fill in, and a table of its keys."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterable, Iterator
from typing import Any

from morpho.study.reading.schemas import Schema, wanted_by

__all__ = ["file_to_fill_in", "table_of_keys", "with_tables"]

_HEAD = ("| Key | Type | Meaning | Default |", "|---|---|---|---|")
_WIDTH = 80


def _choice(value: Any) -> str:
    return value if str(value).isidentifier() else json.dumps(value)


def _kind(schema: Schema) -> str:
    if "anyOf" in schema:
        return " or ".join(_kind(one) for one in schema["anyOf"])
    if "enum" in schema:
        return ", ".join(f"`{_choice(value)}`" for value in schema["enum"])
    kind: str = schema["type"]
    if kind == "boolean":
        return "`true`, `false`"
    if kind == "array":
        low, high = schema.get("minItems"), schema.get("maxItems")
        inner = schema["items"].get("type", "")
        of = {"object": " of blocks", "array": " of pairs"}.get(inner, "")
        return "list" + (of or (f" of {low}" + f" to {high}" * (low != high) if high else ""))
    return {"string": "text", "object": "block"}.get(kind) or wanted_by(schema).removeprefix("a ")


def _rows(schema: Schema, above: str = "") -> Iterator[str]:
    for key, below in schema.get("properties", {}).items():
        name = f"{above}{key}"
        default = f"`{json.dumps(below['default'])}`" if "default" in below else "none"
        if key in schema.get("required", ()):
            default = "required"
        yield f"| `{name}` | {_kind(below)} | {below['description']} | {default} |"
        yield from _rows(below, f"{name}.")
        for inner, path in (("items", f"{name}[]."), ("additionalProperties", f"{name}.NAME.")):
            if isinstance(below.get(inner), dict):
                yield from _rows(below[inner], path)


def table_of_keys(schema: Schema) -> str:
    """Tell every key of a file in a table of Markdown: its type, meaning and default."""
    return "\n".join((*_HEAD, *_rows(schema)))


def with_tables(page: str, *schemas: Schema) -> str:
    """Make the tables of keys of a page of Markdown anew, in the order of the schemas."""
    head = re.escape("\n".join(_HEAD))
    made = map(table_of_keys, schemas)
    return re.sub(rf"^{head}(\n\|.*)*", lambda _: next(made), page, flags=re.MULTILINE)


def _value(value: Any) -> str:
    """A value in YAML, on one line."""
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    plain = isinstance(value, str) and re.fullmatch(r"[A-Za-z][\w ./*{}-]*", value)
    return str(value) if plain else json.dumps(value)


def _comment(schema: Schema, width: int) -> list[str]:
    """What a key means and what it may be; no line of it looks like a key."""
    text, wanted = schema.get("description", ""), wanted_by(schema)
    if set(schema.get("enum", ())) - set(re.split(r"[ ,:;.()]+", text)):
        text += f" One of: {wanted}."
    elif schema.get("type") in ("integer", "number") and ", " in wanted:
        text += f" {wanted.partition(', ')[2].capitalize()}."
    text += f" {schema['$comment']}" if "$comment" in schema else ""
    held = re.sub(r" (?=\S+:( |$))", "\N{NO-BREAK SPACE}", text)
    lines = textwrap.wrap(held, width - 2, break_long_words=False, break_on_hyphens=False)
    return [f"# {line}".replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def _nested(data: dict[str, Any]) -> Iterator[str]:
    """A block of keys in YAML."""
    for key, value in data.items():
        if isinstance(value, dict) and value:
            yield from (f"{key}:", *_in(_nested(value)))
        else:
            yield f"{key}: {_value(value)}"


def _in(lines: Iterable[str]) -> list[str]:
    return [f"  {line}" for line in lines]


def _keys(schema: Schema, width: int = _WIDTH, *, counts: bool = True) -> Iterator[str]:
    """The keys of a block; where it counts, those that have a default are comments."""
    for key, below in schema["properties"].items():
        needed = key in schema.get("required", ())
        given = below.get("examples", [below.get("default", key)])[0]
        comment = counts and not needed
        if "properties" in below:
            inner = width - 4 if comment else width - 2
            body = [f"{key}:", *_in(_keys(below, inner, counts=counts and needed))]
        else:
            body = list(_nested({key: given}))
        if width == _WIDTH and len(body) > 1:
            yield ""
        yield from _comment(below, width)
        yield from [f"# {line}" for line in body] if comment else body


def file_to_fill_in(schema: Schema) -> str:
    """Write every key of a file, with its meaning, in YAML to be filled in.

    Keys that need not be given are comments; those without a default have their first example, or
    their own name.
    """
    return "\n".join(_keys(schema)) + "\n"
