"""The schemas, and the page that documents every key."""

import json
import re

import jsonschema
import pytest

from morpho.study.reading.explained import with_tables
from morpho.study.reading.schemas import CONFIG_FOLDER, load_schema
from morpho.study.settings.schema import study_schema

SCHEMAS = {"study": study_schema(), "scheme": load_schema("scheme")}


def documented(schema, prefix=""):
    """Each key with the description and default that the schema states."""
    for key, below in schema.get("properties", {}).items():
        if key in schema.get("required", ()):
            default = "required"
        else:
            default = json.dumps(below["default"]) if "default" in below else "none"
        yield f"{prefix}{key}", below.get("description", ""), default
        yield from documented(below, f"{prefix}{key}.")
        if isinstance(below.get("items"), dict):
            yield from documented(below["items"], f"{prefix}{key}[].")
    if isinstance(schema.get("additionalProperties"), dict):
        yield from documented(schema["additionalProperties"], f"{prefix}NAME.")


def test_config_readme_documents_every_key():
    """A user looks up a key: the page has it, with the schema's own meaning and default."""
    page = (CONFIG_FOLDER / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([^`]+)` \| (.+) \| (.+) \| (.+) \|$", page, re.MULTILINE)
    written = [(key, meaning, default.strip("`")) for key, kind, meaning, default in rows if kind]
    assert written == [row for schema in SCHEMAS.values() for row in documented(schema)]
    assert with_tables(page, *SCHEMAS.values()) == page, "call make written"


@pytest.mark.parametrize("name", ["study", "scheme"])
def test_schemas_are_sound(name):
    """Each schema is valid, refuses unknown keys everywhere, and describes every key."""
    schema = SCHEMAS[name]
    jsonschema.Draft202012Validator.check_schema(schema)
    for part in parts(schema):
        if part.get("type") == "object":
            assert "additionalProperties" in part
        for key in part.get("required", ()):
            assert key in part["properties"]
    for key, description, _ in documented(schema):
        assert description.endswith("."), key


@pytest.mark.parametrize("name", ["study", "scheme"])
def test_defaults_agree_with_the_schema(name):
    """A default is a value that a user could write."""
    schema = SCHEMAS[name]
    for part in parts(schema):
        if "default" in part:
            jsonschema.Draft202012Validator(part).validate(part["default"])


def parts(schema):
    if isinstance(schema, dict):
        yield schema
        for value in schema.values():
            yield from parts(value)
    elif isinstance(schema, list):
        for value in schema:
            yield from parts(value)
