"""Screen: digitisations that look wrong, with what would mend them. Nothing is changed."""

from __future__ import annotations

from morpho.steps.files import ElementResults
from morpho.steps.suspected import suspected_slips
from morpho.study.check import read_element
from morpho.study.config import StudyConfig

__all__ = ["run"]


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write what looks wrong in the digitisations of an element."""
    table, screened, trouble = suspected_slips(*read_element(config, element))
    results.write_table("suspicions", table)
    results.write_notes("screen", {"trouble": trouble, "screened": screened})
