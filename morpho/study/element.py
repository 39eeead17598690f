"""What one element needs of the study's files, read and refused if anything is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.checks.sample import check_sides
from morpho.study.landmarks.digitised import Digitised
from morpho.study.landmarks.reading import gather_landmarks
from morpho.study.reading.problems import Problems, StudyError
from morpho.study.scheme.reading import Scheme, gather_scheme
from morpho.study.specimens import gather_specimens

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["read_element"]


def read_element(config: StudyConfig, element: str) -> tuple[Scheme, pd.DataFrame, pd.DataFrame]:
    """Read scheme, digitised specimens and landmark rows of one element; refuse what is wrong."""
    if element not in config.elements:
        raise ValueError(f"{element} is not among the elements {', '.join(config.elements)}")
    problems = Problems(base=config.folder)
    scheme = gather_scheme(config.scheme_path(element), element, problems)
    specimens = gather_specimens(config, problems)
    schemes = {} if scheme is None else {element: scheme}
    frames = gather_landmarks(config, schemes, specimens, problems)
    if scheme is None or specimens is None or element not in frames:
        if not problems.errors:
            problems.error(
                "The specimen table or the landmark tables are not told.",
                "Put study.yaml right: see formkin check.",
                file=config.path,
            )
        raise StudyError(problems)
    rows = frames[element]
    check_sides(Digitised(config, scheme, specimens, rows, problems.at(element=element)))
    problems.raise_if_errors()
    return scheme, specimens.loc[specimens.index.isin(rows["specimen"])], rows
