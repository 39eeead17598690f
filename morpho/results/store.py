"""Results on disk: where they lie, and writing each file whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.results.whole import whole

__all__ = [
    "ALL_ELEMENTS", "FLAGS", "TEXTS", "ElementResults", "write_json", "write_table",
]  # fmt: skip

# Folder of what is joined from all elements; no element can be named so.
ALL_ELEMENTS = "all-elements"

# Columns of text, whatever stands in them, and columns of True and False; all others
# hold numbers, and a blank there is a missing one.
TEXTS = frozenset(
    [
        "bearing",
        "beside_ranges",
        "blocking",
        "choice",
        "direction",
        "element",
        "growth_line",
        "kept_by",
        "left_out",
        "figure",
        "file",
        "form",
        "frame",
        "known_specimen",
        "measurement",
        "other_side",
        "region",
        "hole_lengths_mm",
        "hole_reasons",
        "standard_deviation_unit",
        "suspects",
        "template",
        "unit",
        "true_names",
        "set_aside",
        "missing_points",
        "cause",
        "missing_ends",
        "deviations",
        "setting",
        "taxa_not_rejected",
        "tempered_by",
        "turned_without",
        "turning_settings",
        "verdict_before",
        "verdicts_of_elements",
        "landmarks",
        "observer",
        "replicate",
        "source",
        "patch",
        "flag",
        "estimated_by",
        "point",
        "assigned_to",
        "when",
        "beyond_sizes_of", "criterion", "definition", "end", "first", "ground", "kind", "landmark",
        "missing_landmarks", "nearest_taxon", "role", "second", "side", "specimen",
        "stage", "taxon", "term", "verdict", "verdict_as_it_is", "verdict_size_heeded",
    ]
)  # fmt: skip
FLAGS = frozenset(
    [
        "doubted",
        "kept",
        "counted",
        "estimated",
        "folds",
        "fits_differ",
        "outside_every_taxon",
        "outside_range",
        "watertight",
        "rank_can_decide",
        "ranking_rejects",
        "suspected",
        "turns",
        "within_error",
        "beyond_all_members",
        "beyond_sizes",
        "extrapolates",
        "mirrored",
        "retained",
        "size_heeded",
        "used",
    ]
)
# Of those, what is blank where there was nothing to compare.
_BLANK_FLAGS = frozenset(["outside_range"])

# Nine significant digits: more than any scan holds, fewer than rounding disturbs.
_NUMBER = "%.9g"


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as CSV: UTF-8, one line end everywhere, nine digits.

    Parameters
    ----------
    path : Path
    table : DataFrame
        Its index is not written.
    """
    with whole(path) as temporary:
        table.to_csv(
            temporary, index=False, float_format=_NUMBER, lineterminator="\n", encoding="utf-8"
        )


def write_json(path: Path, content: Any) -> None:
    """Write plain data as JSON with sorted keys.

    Parameters
    ----------
    path : Path
    content : dict, list, str, number or None
    """
    with whole(path) as temporary:
        text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False)
        temporary.write_text(text + "\n", encoding="utf-8")


class ElementResults:
    """Results of one element: arrays between rules, tables, figures and notes.

    Parameters
    ----------
    results : Path
        Folder of the study's results.
    element : str
    """

    def __init__(self, results: Path, element: str) -> None:
        self.element = element
        self.folder = Path(results) / element

    def arrays(self, name: str) -> dict[str, NDArray[Any]]:
        """Read the arrays that a step left for later ones.

        Parameters
        ----------
        name : str

        Returns
        -------
        dict of str to ndarray
        """
        with np.load(self.folder / "arrays" / f"{name}.npz", allow_pickle=False) as stored:
            return {key: stored[key] for key in stored.files}

    def write_arrays(self, name: str, **arrays: Any) -> None:
        """Leave arrays for later steps.

        Parameters
        ----------
        name : str
        **arrays : array-like
        """
        with whole(self.folder / "arrays" / f"{name}.npz") as temporary:
            np.savez(temporary, **arrays)

    def table(self, name: str) -> pd.DataFrame:
        """Read a table; names stay text, whatever they look like.

        Whether a value lies outside a range is None where there was nothing to compare.

        Parameters
        ----------
        name : str

        Returns
        -------
        DataFrame
        """
        table = pd.read_csv(
            self.folder / "tables" / f"{name}.csv", dtype=str, keep_default_na=False
        )
        for column in table.columns.difference(sorted(TEXTS)):
            if column in FLAGS:
                told = table[column]
                table[column] = told == "True"
                if column in _BLANK_FLAGS and (told == "").any():
                    table[column] = table[column].astype(object).mask(told == "", None)
            else:
                table[column] = pd.to_numeric(table[column])
        return table

    def write_table(self, name: str, table: pd.DataFrame) -> None:
        """Write a table.

        Parameters
        ----------
        name : str
        table : DataFrame
        """
        write_table(self.folder / "tables" / f"{name}.csv", table)

    def notes(self, name: str) -> dict[str, Any]:
        """Read what a step noted of its work.

        Parameters
        ----------
        name : str

        Returns
        -------
        dict
        """
        return json.loads((self.folder / "notes" / f"{name}.json").read_text(encoding="utf-8"))

    def write_notes(self, name: str, notes: Mapping[str, Any]) -> None:
        """Write what a step has to say of its work, for figures and report.

        Parameters
        ----------
        name : str
        notes : mapping
        """
        write_json(self.folder / "notes" / f"{name}.json", dict(notes))
