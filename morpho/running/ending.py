"""What a run ends with: the conclusion on each query, in one line."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING

from morpho.results.tables import ALL_ELEMENTS
from morpho.study.reading.wording import visible
from morpho.wording import listed
from morpho.workflow.phrases import bone

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["conclusions", "page_of"]

# As the page has it of all elements together.
_WORDS = {
    "outside": "falls outside every known taxon of this sample",
    "undecided": "can be told neither outside nor inside",
}
_ORDER = ("outside", "undecided", "inside")


def _rows(path: Path) -> list[dict[str, str]]:
    try:
        with open(path, encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))
    except OSError:
        return []


def _kept(config: StudyConfig, specimen: str, elements: list[str]) -> list[str]:
    """Taxa that no element rejects; of one element, nearest first."""
    if len(elements) == 1:
        rows = _rows(config.results / elements[0] / "tables" / "verdicts.csv")
        told = [row["taxa_not_rejected"] for row in rows if row["specimen"] == specimen]
        return told[0].split("; ") if told and told[0] else []
    rows = _rows(config.results / ALL_ELEMENTS / "tables" / "individual_evidence.csv")
    kept = [row for row in rows if row["specimen"] == specimen and row["kept"] == "True"]
    return list(dict.fromkeys(row["taxon"] for row in kept))


def conclusions(config: StudyConfig) -> list[str]:
    """Say of each query what is concluded, one line each, outside first."""
    found = []
    for row in _rows(config.results / ALL_ELEMENTS / "tables" / "individuals.csv"):
        told = [one.rsplit(": ", 1) for one in row["verdicts_of_elements"].split("; ") if one]
        verdict, elements = row["verdict"], [element for element, _ in told]
        if not told:
            words = "could not be held against the known taxa"
        elif verdict == "inside":
            kept = _kept(config, row["specimen"], elements)
            words = f"is compatible with {listed(map(visible, kept), none='a known taxon')}"
        else:
            words = _WORDS[verdict]
        by = listed([f"{visible(bone(element))} {says}" for element, says in told])
        line = f"{visible(row['specimen'])} {words}{f' ({by})' if told else ''}."
        found.append((_ORDER.index(verdict), line))
    return [line for _, line in sorted(found, key=lambda one: one[0])]


def page_of(config: StudyConfig) -> Path:
    """The page of a study."""
    return config.results / "report.html"
