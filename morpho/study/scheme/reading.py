"""The scheme: what is digitised on an element."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from morpho.study.reading.problems import Problems
from morpho.study.reading.schemas import check_against, load_schema, with_defaults
from morpho.study.reading.wording import nearest
from morpho.study.reading.yaml_file import read_yaml
from morpho.study.scheme.parts import Axis, Curve, Landmark, NamedMeasurement, Patch, Scheme
from morpho.study.scheme.references import check_references

__all__ = [
    "Axis", "Curve", "Landmark", "NamedMeasurement", "Patch", "Scheme", "gather_scheme",
    "read_scheme", "usable_names",
]  # fmt: skip


def _build(data: dict[str, Any], element: str) -> Scheme:
    axes = data.get("axes") or {}
    standard = data.get("standard_length")
    return Scheme(
        element=element,
        description=data["description"],
        symmetry=data["symmetry"],
        landmarks=tuple(
            Landmark(item["name"], item["type"], item["definition"]) for item in data["landmarks"]
        ),
        curves=tuple(
            Curve(item["name"], item["from"], item["to"], item["semilandmarks"], item["definition"])
            for item in data["curves"]
        ),
        patches=tuple(
            Patch(item["name"], item.get("template"), item["definition"])
            for item in data["patches"]
        ),
        pairs=tuple((left, right) for left, right in data["pairs"]),
        midline=tuple(data["midline"]),
        links=tuple((first, second) for first, second in data["links"]),
        modules={name: tuple(names) for name, names in data["modules"].items()},
        axes={
            name: Axis(axis["towards"], axis.get("from"), axis.get("to"), axis.get("away", ""))
            for name, axis in axes.items()
        },
        measurements=tuple(
            NamedMeasurement(item["name"], tuple(item["points"]), item["definition"])
            for item in data["measurements"]
        ),
        standard_length=(standard[0], standard[1]) if standard else None,
    )


def gather_scheme(path: Path, element: str, problems: Problems) -> Scheme | None:
    """Read a scheme, telling every problem; None if there was an error."""
    found = Problems(base=problems.base).at(element=element)
    document = read_yaml(path, found)
    if document is not None:
        bad = check_against(document, load_schema("scheme"), found)
        check_references(document, element, bad, found)
    problems.extend(found)
    if document is None or found.errors:
        return None
    return _build(with_defaults(document.data, load_schema("scheme")), element)


def usable_names(path: Path, element: str) -> Scheme | None:
    """Take from a scheme with errors the names that its tables can be held against.

    None if one of the names of its landmarks, curves and patches is in doubt.
    """
    ignored = Problems()
    document = read_yaml(path, ignored)
    if document is None or len(ignored.errors) or not isinstance(document.data, dict):
        return None
    kept = {
        key: document.data[key]
        for key in ("landmarks", "curves", "patches")
        if document.data.get(key)
    }
    ours = list(load_schema("scheme")["properties"])
    for key in set(document.data) - set(ours):
        if nearest(key, ours) in {"curves", "patches"}:
            return None  # misspelt, so that some names are not known
    document.data = kept
    if check_against(document, load_schema("scheme"), Problems()):
        return None
    names = [item["name"] for part in kept.values() for item in part]
    if len(set(names)) < len(names):
        return None
    return _build(with_defaults(kept, load_schema("scheme")), element)


def read_scheme(path: Path, element: str) -> Scheme:
    """Read a scheme, or refuse it with everything that is wrong."""
    problems = Problems()
    scheme = gather_scheme(Path(path), element, problems)
    problems.raise_if_errors()
    if scheme is None:  # cannot be: without errors there is a scheme
        raise ValueError(f"{path} could not be read")
    return scheme
