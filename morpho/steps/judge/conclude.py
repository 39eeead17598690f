"""Conclude: the verdict on each query, tempered by screening, calibration and stability."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from morpho.inference.robustness.adequacy import specimens_needed
from morpho.inference.robustness.conclusion import conclude
from morpho.inference.robustness.stability import without_suspects
from morpho.results.store import ElementResults

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def _sample_facts(calibration: pd.DataFrame) -> dict[str, Any]:
    """False alarms, and members noticed of taxa left out whole, over all taxa."""
    facts: dict[str, Any] = {}
    names = {
        "specimen": ("false_alarms", "left_out_specimens"),
        "taxon": ("noticed", "left_out_members"),
    }
    for left_out, (count, total) in names.items():
        chosen = calibration[
            (calibration["left_out"] == left_out) & (calibration["taxon"] == "all taxa")
        ]
        row = chosen.iloc[0] if len(chosen) else None
        facts[count] = 0 if row is None else int(row["outside"])
        facts[total] = 0 if row is None else int(row["specimens"])
        if left_out == "specimen":
            facts[f"{count}_low"] = np.nan if row is None else float(row["interval_low"])
            facts[f"{count}_high"] = np.nan if row is None else float(row["interval_high"])
    return facts


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the conclusions."""
    calibration = results.table("calibration_summary")
    stability = results.table("stability_summary")
    settings = results.table("stability")
    needed = results.table("specimens_to_decide")
    facts = _sample_facts(calibration)
    noticing = results.table("noticing")
    power = float(noticing["power"].iloc[0]) if len(noticing) else np.nan
    suspicions, specimens = results.table("suspicions"), results.table("specimens")
    judged_by = specimens.loc[(specimens["role"] == "known") & specimens["used"], "specimen"]
    of_known = suspicions[suspicions["specimen"].isin(judged_by)]
    rows = []
    for record in results.table("verdicts").to_dict("records"):
        verdict = {str(column): value for column, value in record.items()}
        name = verdict["specimen"]
        tried = stability[stability["specimen"] == name]
        more = needed[needed["specimen"] == name]
        suspected = suspicions[suspicions["specimen"] == name]
        each = settings[settings["specimen"] == name]
        without = without_suspects(each)
        found = conclude(
            verdict["verdict"],
            calibration,
            tried,
            each,
            suspicions=suspected,
            power=power,
            alpha=config.settings.tests.alpha,
            smallest_share=config.settings.robustness.smallest_share,
        )
        row = facts | {
            "specimen": name,
            "verdict": found.verdict,
            "verdict_before": verdict["verdict"],
            "tempered_by": found.tempered_by,
            "choice": found.choice,
            "suspects": "; ".join(sorted(set(of_known["specimen"]))),
            "turned_without": "; ".join(without.loc[without["turns"], "setting"]),
            "rests_on": "; ".join(
                each.loc[(each["choice"] == "landmark left out") & each["turns"], "setting"]
                if found.verdict == "outside"
                else []
            ),
            "nearest_taxon": verdict["nearest_taxon"],
            "settings": int(tried["settings"].sum()),
            "settings_hold": int(tried["holds"].sum()),
            "specimens_needed": (
                specimens_needed(more) if verdict["verdict"] == "undecided" else np.nan
            ),
        }
        rows.append(row)
    results.write_table("conclusions", rows)
