"""A figure as files: SVG, PDF and PNG, without dates in them, its layout held."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from morpho.drawing.style import hold
from morpho.results.whole import whole

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["save_figure"]

# Each format with what is left out of it, so that the same figure gives the same bytes.
_UNSAID: dict[str, dict[str, None]] = {
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
    "png": {"Software": None},
}


def save_figure(folder: Path, name: str, figure: Figure) -> list[Path]:
    """Write a figure in every format."""
    hold(figure)
    paths = [folder / f"{name}.{ending}" for ending in _UNSAID]
    for path, unsaid in zip(paths, _UNSAID.values(), strict=True):
        with whole(path) as temporary:
            figure.savefig(temporary, format=path.suffix[1:], metadata=unsaid)
    return paths
