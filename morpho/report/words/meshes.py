"""What is left open or doubtful of surfaces, in words."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from morpho.report.words.writing import as_plain, said

__all__ = ["with_remarks"]


def with_remarks(tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Add to the table of surfaces what is left open or doubtful."""
    meshes = tables["meshes"]
    remarks = [as_plain(said("meshes", "remark", row)) for row in meshes.to_dict("records")]
    return dict(tables) | {"meshes": meshes.assign(remark=pd.Series(remarks, meshes.index, str))}
