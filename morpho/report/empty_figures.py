"""Captions of figures that hold only a message, as there is nothing to show."""

from __future__ import annotations

from collections.abc import Callable

from morpho.report.captions import CAPTIONS, Caption
from morpho.results.analysed import Analysed

__all__ = ["figure_caption"]


def _table(name: str) -> Callable[[Analysed], bool]:
    return lambda element: element.tables[name].empty


def _no_plane(element: Analysed) -> bool:
    return "axis_2" not in element.tables["shape_scores"]


def _no_growth(element: Analysed) -> bool:
    table = element.tables["growth"]
    scores = table.loc[table["role"] == "known", "regression_score"]
    return bool(scores.isna().any())


def _no_canonical(element: Analysed) -> bool:
    table = element.tables["canonical_scores"]
    return not (table["size_heeded"] == False).any()  # noqa: E712  (a column)


_NO_QUERY = "no query takes part in the comparison"

# When a figure holds only a message, what it would show, and why it does not.
_EMPTY: dict[str, tuple[Callable[[Analysed], bool], str, str]] = {
    "distances": (
        _table("membership"),
        "how far each query lies from each taxon, beside the taxon's own members",
        _NO_QUERY,
    ),
    "shape_space": (
        _no_plane,
        "specimens on the first axes of shape space",
        "shape varies along one axis only",
    ),
    "trajectories": (
        _table("trajectories"),
        "how far each query lies from the growth line of each taxon",
        "no query could be held against growth lines",
    ),
    "growth": (
        _no_growth,
        "how shape changes with size",
        "sizes do not vary within taxa, or there are too few specimens for a growth line",
    ),
    "calibration": (
        _table("calibration_summary"),
        "how often known specimens that are left out are judged wrongly",
        "each known specimen is alone in its taxon",
    ),
    "stability": (
        _table("stability"),
        "which settings the verdict on each query holds in",
        _NO_QUERY,
    ),
    "adequacy": (
        _table("rarefaction"),
        "how well so many specimens know their taxon",
        "no taxon has the four specimens that this takes",
    ),
    "specimens_to_decide": (
        _table("specimens_to_decide"),
        "verdicts with more specimens of the nearest taxon, in simulations",
        "no such simulations were made",
    ),
    "canonical_axes": (
        _no_canonical,
        "the axes that set the known taxa apart best",
        "there are too few specimens or taxa for such axes",
    ),
    "landmark_error": (
        _table("landmark_error"),
        "the digitising error of each landmark",
        "no specimen was digitised twice",
    ),
}


def figure_caption(name: str, element: Analysed) -> Caption:
    """The caption of a figure: how to read it, or that there is nothing to show.

    Parameters
    ----------
    name : str
        A figure of `morpho.report.captions.CAPTIONS`.
    element : Analysed
        The element that it is of.

    Returns
    -------
    Caption
    """
    caption = CAPTIONS[name]
    if name not in _EMPTY:
        return caption
    is_empty, shows, why = _EMPTY[name]
    if not is_empty(element):
        return caption
    digitised = element.tables["specimens"]["digitisations"]
    if name == "landmark_error" and (digitised > 1).any():
        why = "the error could not be found from the specimens that were digitised twice"
    text = f"This figure would show {shows}. There is nothing to show: {why}."
    alternative = f"No figure of {shows}, as {why}"
    return Caption(caption.title, alternative, text, caption.tables)
