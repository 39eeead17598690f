"""Prepare: from digitisations to one configuration a specimen, all of one side."""

from __future__ import annotations

import pandas as pd

from morpho.steps.configurations import configurations, of_one_side, set_aside
from morpho.steps.files import ElementResults
from morpho.study.config import StudyConfig

__all__ = ["run"]


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the configurations that can be compared, and what became of each specimen."""
    from morpho.study.check import read_element
    from morpho.study.problems import Problems, StudyError

    scheme, specimens, landmarks = read_element(config, element)
    names = [landmark.name for landmark in scheme.landmarks]
    X, digitised = configurations(landmarks, names)
    table = specimens.loc[digitised.index, ["taxon", "role", "side", "stage"]].copy()
    table.insert(4, "digitisations", digitised)
    X, mirrored, target = of_one_side(
        X, table["side"], scheme.symmetry, config.settings["preparation"]["mirror_to"]
    )
    table["mirrored"] = mirrored
    table, used = set_aside(X, table, names, config.settings["preparation"]["missing"])

    kept = table["used"].to_numpy()
    known = kept & (table["role"] == "known").to_numpy()
    if used.sum() < 4 or known.sum() < 3:
        problems = Problems()
        problems.error(
            f"{int(known.sum())} known specimens share {int(used.sum())} landmarks",
            "at least 3 known specimens with 4 shared landmarks are needed; see "
            "preparation: missing: in study.yaml, which says who is set aside",
            file=config.path,
            element=element,
        )
        raise StudyError(problems)
    results.write_arrays(
        "prepared",
        coordinates=X[kept][:, used],
        specimen=table.index[kept].to_numpy(dtype=str),
        taxon=table["taxon"][kept].to_numpy(dtype=str),
        known=known[kept],
        landmark=pd.Index(names)[used].to_numpy(dtype=str),
    )
    results.write_table("specimens", table.rename_axis("specimen").reset_index())
    results.write_table(
        "landmarks",
        pd.DataFrame(
            {
                "landmark": names,
                "type": [landmark.type for landmark in scheme.landmarks],
                "definition": [landmark.definition for landmark in scheme.landmarks],
                "used": used,
            }
        ),
    )
    results.write_notes(
        "prepare",
        {
            "side": target,
            "symmetry": scheme.symmetry,
            "curves": [curve.name for curve in scheme.curves],
            "patches": [patch.name for patch in scheme.patches],
            "links": [list(link) for link in scheme.links],
            "description": scheme.description,
        },
    )
