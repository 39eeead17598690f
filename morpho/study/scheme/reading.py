"""The scheme: what is digitised on an element."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from morpho.study.reading.problems import Problems
from morpho.study.reading.schemas import check_against, load_schema
from morpho.study.reading.wording import nearest
from morpho.study.reading.yaml_file import read_yaml
from morpho.study.scheme.parts import Axis, Curve, Landmark, NamedMeasurement, Patch, Scheme
from morpho.study.scheme.references import check_references

__all__ = [
    "Axis", "Curve", "Landmark", "NamedMeasurement", "Patch", "Scheme", "gather_scheme",
    "read_scheme", "usable_names",
]  # fmt: skip


_PARTS = {
    "landmarks": Landmark,
    "curves": Curve,
    "patches": Patch,
    "measurements": NamedMeasurement,
}
# Words of Python's own are no names of fields.
_FIELDS = {"from": "start", "to": "end"}


def _fixed(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _fixed(one) for key, one in value.items()}
    return tuple(map(_fixed, value)) if isinstance(value, list) else value


def _part(kind: type, item: dict[str, Any]) -> Any:
    return kind(**{_FIELDS.get(key, key): value for key, value in item.items()})


def _build(data: dict[str, Any], element: str) -> Scheme:
    """Make a scheme of data that agree with its JSON Schema; the parts have the same defaults."""
    made = _fixed(data)
    for key, kind in _PARTS.items():
        made[key] = tuple(_part(kind, item) for item in made.get(key, ()))
    made["axes"] = {name: _part(Axis, axis) for name, axis in made.get("axes", {}).items()}
    return Scheme(element, **made)


def gather_scheme(path: Path, element: str, problems: Problems) -> Scheme | None:
    """Read a scheme, telling every problem; None if there was an error."""
    found = Problems(base=problems.base).at(element=element)
    document = read_yaml(path, found)
    if document is not None:
        bad = check_against(document, load_schema("scheme"), found)
        check_references(document, element, bad, found)
    problems.extend(found)
    return None if document is None or found.errors else _build(document.data, element)


def usable_names(path: Path, element: str) -> Scheme | None:
    """Take from a scheme with errors the names that its tables can be held against.

    None if one of the names of its landmarks, curves and patches is in doubt.
    """
    ignored = Problems()
    document = read_yaml(path, ignored)
    if document is None or ignored.errors or not isinstance(document.data, dict):
        return None
    data, ours = document.data, list(load_schema("scheme")["properties"])
    if any(nearest(key, ours) in {"curves", "patches"} for key in set(data) - set(ours)):
        return None  # misspelt, so that some names are not known
    kept = {key: data[key] for key in ("landmarks", "curves", "patches") if data.get(key)}
    document.data = kept
    if check_against(document, load_schema("scheme"), Problems()):
        return None
    kept = document.data  # in which a name such as true is a text
    names = [item["name"] for part in kept.values() for item in part]
    if len(set(names)) < len(names):
        return None
    return _build(kept, element)


def read_scheme(path: Path, element: str) -> Scheme:
    """Read a scheme, or refuse it with everything that is wrong."""
    problems = Problems()
    return problems.sound(gather_scheme(Path(path), element, problems))
