"""Calibrate: leave out known specimens and taxa, and see how the same procedure judges them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from morpho.inference.robustness.calibration import calibrate, calibration_summary
from morpho.results.store import ElementResults
from morpho.steps.judge.material import material_of, rules_of
from morpho.steps.progress import told_in_tenths

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the verdict on each specimen left out, and the shares told outside."""
    names, material = material_of(results)
    rules = rules_of(config, element, results)
    table = calibrate(material, names, rules, progress=told_in_tenths(f"calibrate {element}"))
    results.write_table("calibration", table)
    results.write_table("calibration_summary", calibration_summary(table, rules.alpha))
