"""Colours for how far a bone stands out beyond another shape: the same in figures and meshes."""

from __future__ import annotations

import numpy as np
from matplotlib.colors import LinearSegmentedColormap, to_hex, to_rgb
from numpy.typing import ArrayLike, NDArray

from morpho.shape.checks import ShapeError

__all__ = [
    "BONE", "FILLED", "HEAT", "WITHIN", "heat_colours", "heat_limit", "heat_steps",
    "heat_stops", "shown_limit",
]  # fmt: skip

# From dark blue (stays behind) over grey to pale yellow (stands out). Lightness rises all the
# way, so that the sign is seen without colour as well.
HEAT = LinearSegmentedColormap.from_list(
    "heat",
    [
        (0.0, "#0a2b6e"),
        (0.25, "#3060b4"),
        (0.425, "#6d86b2"),
        (0.5, "#949494"),
        (0.575, "#b8a878"),
        (0.75, "#e3ba45"),
        (1.0, "#fff3b0"),
    ],
    N=512,
)
BONE = "#ded6c6"
# What was filled, in meshes. It is no colour of the scale.
FILLED = "#b58bb0"
# Lines over what lies within members' variation, on the colour of bone.
WITHIN = "#a89c86"
# Share of the values that the scale holds at least.
_HELD = 0.99
_NICE = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def heat_limit(values: ArrayLike) -> float:
    """End of a scale about zero that holds 99 % of the values, a round number.

    In mm; NaN is passed over, and it is above zero also where all are zero or missing.

    >>> heat_limit([-0.3, 0.1, 0.26])
    0.3
    """
    V = np.abs(np.asarray(values, dtype=float).ravel())
    V = V[np.isfinite(V)]
    most = float(np.quantile(V, _HELD)) if V.size else 0.0
    if most <= 1e-9:
        return 1.0
    power = float(np.floor(np.log10(most)))
    step = next(n for n in (*_NICE, 10.0) if n >= most / 10**power - 1e-9)
    return float(f"{step * 10**power:.6g}")


def shown_limit(values: ArrayLike, within: ArrayLike) -> float:
    """End of the scale for what is shown in colours, not `within`; for all where nothing is."""
    V, hidden = np.asarray(values, dtype=float), np.asarray(within, dtype=bool)
    return heat_limit(V if hidden.all() else V[~hidden])


def heat_stops(count: int = 33) -> list[str]:
    """Colours of the scale from its lower to its upper end, evenly spaced, as #rrggbb."""
    return [to_hex(HEAT(share)) for share in np.linspace(0, 1, count)]


def heat_steps(limit: float) -> NDArray[np.float64]:
    """Seven to thirteen round numbers on the scale, or fewer, with zero: contours, ticks."""
    power = 10 ** np.floor(np.log10(limit))
    for step in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0):
        count = int(np.floor(limit / (step * power) + 1e-9))
        if count <= 6:
            break
    return np.arange(-count, count + 1) * step * power


def heat_colours(
    values: ArrayLike, limit: float, filled: ArrayLike | None = None
) -> NDArray[np.uint8]:
    """Colours of values at vertices, for meshes: NaN is bone, what was filled has its own."""
    V = np.asarray(values, dtype=float)
    if not limit > 0:
        raise ValueError(f"`limit` must be above 0, but is {limit}.")
    unknown = np.isnan(V)
    shown = HEAT((np.where(unknown, 0, V) / limit + 1) / 2)[..., :3]
    shown[unknown] = to_rgb(BONE)
    if filled is not None:
        F = np.asarray(filled, dtype=bool)
        if F.shape != V.shape:
            raise ShapeError(f"`filled` must have shape {V.shape}, but has shape {F.shape}.")
        shown[F] = to_rgb(FILLED)
    return np.round(255 * shown).astype(np.uint8)
