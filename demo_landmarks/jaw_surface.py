"""The invented half of a lower jaw: a pillow stretched over a rodent's jaw outline.

Frame of a *right* half: x to the front, y up, z to the outer side; a left half is its mirror
image in z. Surface parameters: ``u`` from the incisor's tip (0) to the hind edge (1), ``w`` from
the lower border (0) to the upper edge (1), and the face, outer or inner. The middle plane is a
Coons patch between four outlines (Coons 1967), and thickness grows from the outline inwards.

References
----------
Coons, S. A. (1967). Surfaces for computer-aided design of space forms. MIT Project MAC TR-41.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from demo_landmarks.bone_model import (
    Coefficient,
    Points,
    SmoothField,
    halve_widest,
    orient_outwards,
    pull_to_values,
    through_knots,
)

__all__ = ["CAVE_OFFSETS", "COEFFICIENTS", "CURVE_ENDS", "TAXON_OFFSETS", "WAVES", "LowerJaw"]

COEFFICIENTS: Mapping[str, Coefficient] = {
    # from front to back, so that neighbours on the bone follow each other; shares of jaw length
    "incisor_lift": Coefficient(0.135, 0.0056, 0.035),
    "incisor_depth": Coefficient(0.100, 0.0028, 0.000),
    "gap_length": Coefficient(0.255, 0.0063, 0.095),
    "gap_depth": Coefficient(0.085, 0.0042, 0.030),
    "nerve_along": Coefficient(0.315, 0.0049, 0.000),
    "nerve_height": Coefficient(0.520, 0.0140, 0.000),
    "front_bow": Coefficient(0.085, 0.0056, 0.030),
    "body_depth": Coefficient(0.200, 0.0056, 0.045),
    "thickness": Coefficient(0.046, 0.0014, 0.000),
    "border_turn": Coefficient(0.690, 0.0084, 0.020),
    "belly": Coefficient(0.020, 0.0049, 0.000),
    "tooth_row_length": Coefficient(0.235, 0.0049, -0.040),
    "tooth_row_tilt": Coefficient(0.010, 0.0042, 0.000),
    "ridge_front": Coefficient(0.400, 0.0070, 0.034),
    "ramus_front": Coefficient(0.028, 0.0035, 0.000),
    "coronoid_height": Coefficient(0.500, 0.0091, 0.200),
    "coronoid_place": Coefficient(0.235, 0.0063, 0.030),
    "notch_height": Coefficient(0.365, 0.0070, 0.120),
    "notch_place": Coefficient(0.136, 0.0049, 0.000),
    "condyle_height": Coefficient(0.400, 0.0077, 0.165),
    "condyle_length": Coefficient(0.080, 0.0028, 0.000),
    "hind_notch_place": Coefficient(0.095, 0.0063, 0.030),
    "hind_notch_height": Coefficient(0.130, 0.0077, 0.045),
    "angle_reach": Coefficient(0.030, 0.0077, 0.060),
    "angle_lift": Coefficient(-0.060, 0.0077, -0.051),
    "angle_drop": Coefficient(0.135, 0.0070, 0.090),
    "angle_flare": Coefficient(0.030, 0.0056, 0.017),
    "ramus_flare": Coefficient(0.050, 0.0049, 0.000),
}
"""Coefficients of the lower jaw; heights are above the tooth row's level less 0.2."""

TAXON_OFFSETS: Mapping[str, Mapping[str, float]] = {
    "coast dormouse": {
        "coronoid_height": 0.030,
        "body_depth": 0.021,
        "gap_length": -0.021,
        "angle_drop": 0.027,
        "ramus_flare": 0.015,
    },
    "marsh dormouse": {
        "tooth_row_length": 0.032,
        "gap_length": -0.026,
        "gap_depth": -0.021,
        "belly": 0.022,
        "coronoid_height": -0.030,
        "condyle_height": -0.026,
        "notch_place": 0.012,
        "hind_notch_place": -0.020,
        "angle_reach": 0.020,
    },
    "ridge dormouse": {
        "gap_length": 0.042,
        "incisor_lift": 0.034,
        "tooth_row_length": -0.026,
        "coronoid_height": -0.021,
        "coronoid_place": -0.015,
        "hind_notch_height": 0.027,
        "angle_flare": 0.018,
    },
    "pygmy dormouse": {
        "coronoid_height": 0.018,
        "condyle_height": 0.030,
        "tooth_row_length": -0.033,
        "body_depth": -0.024,
        "gap_depth": 0.021,
        "angle_lift": 0.036,
        "angle_drop": -0.033,
        "border_turn": -0.036,
    },
}
"""What sets each taxon's jaw apart at one size."""

CAVE_OFFSETS: Mapping[str, float] = {
    "coronoid_height": 0.063,
    "notch_height": 0.019,
    "condyle_height": 0.057,
    "angle_reach": -0.038,
    "angle_lift": -0.025,
    "angle_flare": -0.019,
}
"""What sets the cave form's jaw apart from the coast dormouse's: the planted truth."""

WAVES = ((1.0, 0.0, 0.0), (0.0, 2.0, 0.0), (1.5, 1.5, 0.0), (2.0, -1.0, 0.0))
"""Waves of the smooth unevenness."""

TEETH = 4
TOP_KNOTS = np.array(
    [0.0, 0.06, 0.125, 0.14, 0.24, 0.34, 0.57, 0.635, 0.72, 0.75, 0.775, 0.855, 0.92, 0.97, 1.0]
)
TOOTH_FRONT, TOOTH_BACK, RIM, GAP_LOW = 0.34, 0.57, 0.14, 0.24
CORONOID, NOTCH, CONDYLE_FRONT = 0.75, 0.855, 0.92
BOTTOM_KNOTS = np.array([0.0, 0.06, 0.125, 0.14, 0.34, 0.53, 0.72, 0.88, 0.96, 1.0])
BORDER_FRONT, ANGLE_LOW = 0.34, 0.88
HIND_KNOTS = np.array([0.0, 0.06, 0.14, 0.26, 0.50, 0.72, 0.87, 0.95, 1.0])
ANGLE_TIP, HIND_NOTCH, CONDYLE_BACK = 0.14, 0.50, 0.95

CURVES = {
    "gap_curve": ((RIM, 1.0), (TOOTH_FRONT, 1.0)),
    "lower_curve": ((BORDER_FRONT, 0.0), (ANGLE_LOW, 0.0)),
    "hind_curve": ((1.0, CONDYLE_BACK), (1.0, ANGLE_TIP)),
}

CURVE_ENDS = {
    "gap_curve": ("incisor_rim_top", "tooth_row_front"),
    "lower_curve": ("lower_border_front", "angle_low_point"),
    "hind_curve": ("condyle_back", "angle_tip"),
}

U_LINES, W_LINES = 76, 23
COARSE_LINES = (38, 15)
LANDMARK_KNOTS = (RIM, GAP_LOW, TOOTH_FRONT, TOOTH_BACK, CORONOID, NOTCH, CONDYLE_FRONT)


def _by(x: float, y: float) -> Points:
    """Step in the lateral view."""
    return np.array([x, y])


def _rise(at: ArrayLike, start: float, end: float) -> Points:
    """Smooth step from 0 at ``start`` to 1 at ``end``."""
    t = np.clip((np.asarray(at, dtype=float) - start) / (end - start), 0, 1)
    return t * t * (3 - 2 * t)


def _round_edge(distance: ArrayLike, width: float) -> Points:
    """Quarter-ellipse from 0 on the outline to 1 at ``width`` inside it."""
    t = np.clip(np.asarray(distance, dtype=float) / width, 0, 1)
    return np.sqrt(1 - (1 - t) ** 2)


def _bump(u: Points, w: Points, centre: tuple[float, float], widths: tuple[float, float]) -> Points:
    """Gaussian hill of height 1 on the parameter plane."""
    return np.exp(-(((u - centre[0]) / widths[0]) ** 2) - ((w - centre[1]) / widths[1]) ** 2)


@dataclass(frozen=True)
class LowerJaw:
    """One right half of a lower jaw.

    Parameters
    ----------
    values : mapping of str to float
        Every coefficient of `COEFFICIENTS`.
    field : SmoothField
        The individual's smooth unevenness.
    length : float
        Length from incisor rim to condyle in mm, about.
    """

    values: Mapping[str, float]
    field: SmoothField
    length: float

    def landmarks(self) -> dict[str, Points]:
        """Every landmark, shape (3,) each, in mm."""
        v = self.values
        on_edge = {
            "incisor_rim_top": (RIM, 1.0),
            "incisor_rim_bottom": (RIM, 0.0),
            "gap_low_point": (GAP_LOW, 1.0),
            "tooth_row_front": (TOOTH_FRONT, 1.0),
            "tooth_row_back": (TOOTH_BACK, 1.0),
            "coronoid_tip": (CORONOID, 1.0),
            "upper_notch": (NOTCH, 1.0),
            "condyle_front": (CONDYLE_FRONT, 1.0),
            "condyle_back": (1.0, CONDYLE_BACK),
            "lower_notch": (1.0, HIND_NOTCH),
            "angle_tip": (1.0, ANGLE_TIP),
            "angle_low_point": (ANGLE_LOW, 0.0),
            "lower_border_front": (BORDER_FRONT, 0.0),
        }
        outer = {
            "nerve_opening": (v["nerve_along"], v["nerve_height"]),
            "ramus_front_base": (0.60, 0.72),
            "masseter_ridge_front": (v["ridge_front"], 0.40),
        }
        inner = {"symphysis_back": (0.30, 0.16), "inner_opening": (0.80, 0.62)}
        faces = {**dict.fromkeys(outer, 1.0), **dict.fromkeys(inner, -1.0)}
        return {
            name: self.surface(*place, faces.get(name, 1.0))
            for name, place in {**on_edge, **outer, **inner}.items()
        }

    def curve(self, name: str, along: ArrayLike) -> Points:
        """Points of a curve, shape (n, 3), at positions from 0 (start) to 1 (end), in mm."""
        start, end = (np.array(corner) for corner in CURVES[name])
        places = start + np.asarray(along, dtype=float)[:, None] * (end - start)
        return self.surface(places[:, 0], places[:, 1], 1.0)

    def patch(self, rows: int = 4, columns: int = 5) -> Points:
        """Points of the outer face between tooth row, ramus and angle, in mm."""
        u, w = np.meshgrid(np.linspace(0.42, 0.90, columns), np.linspace(0.22, 0.78, rows))
        return self.surface(u.ravel(), w.ravel(), 1.0)

    def mesh(self, coarse: bool = False) -> tuple[Points, NDArray[np.int64]]:
        """Closed surface: vertices in mm, shape (n, 3), and faces, shape (m, 3).

        Parameters
        ----------
        coarse : bool
            Whether about a thousand vertices will do instead of three; landmarks are vertices
            either way.

        Returns
        -------
        vertices : ndarray, shape (n_vertices, 3)
        faces : ndarray, shape (n_faces, 3)
        """
        u, w = self._coarse_lines() if coarse else self._fine_lines()
        grid_u, grid_w = np.meshgrid(u, w, indexing="ij")
        outer = self.surface(grid_u, grid_w, 1.0).reshape(-1, 3)
        inner = self.surface(grid_u, grid_w, -1.0).reshape(-1, 3)
        number = np.arange(outer.shape[0]).reshape(grid_u.shape)
        inside = np.zeros(grid_u.shape, dtype=bool)
        inside[1:-1, 1:-1] = True
        number_inner = number.copy()  # the outline belongs to both faces
        number_inner[inside] = len(outer) + np.arange(inside.sum())
        vertices = np.concatenate([outer, inner[inside.ravel()]])

        def sheet(numbers: NDArray[np.int64]) -> NDArray[np.int64]:
            a, b = numbers[:-1, :-1].ravel(), numbers[1:, :-1].ravel()
            c, d = numbers[1:, 1:].ravel(), numbers[:-1, 1:].ravel()
            # two corner cells are cut the other way: no triangle lies on the outline alone
            other = np.isin(b, numbers[-1, 0]) | np.isin(d, numbers[0, -1])
            first = np.where(other[:, None], np.column_stack([a, b, d]), np.column_stack([a, b, c]))
            last = np.where(other[:, None], np.column_stack([b, c, d]), np.column_stack([a, c, d]))
            return np.concatenate([first, last])

        faces = np.concatenate([sheet(number), sheet(number_inner)[:, ::-1]])
        return vertices, orient_outwards(vertices, faces)

    def _fine_lines(self) -> tuple[Points, Points]:
        """Lines of the fine grid: even, crowded where the outline turns."""
        v = self.values
        even = np.linspace(0, 1, U_LINES)
        # lines crowd at both ends, where the outline turns, and along the teeth
        crowd = 1 + 1.2 * np.exp(-(((even - 0.45) / 0.1) ** 2)) + np.exp(-(((1 - even) / 0.1) ** 2))
        crowd = crowd + np.exp(-((even / 0.12) ** 2)) + np.exp(-(((even - CORONOID) / 0.04) ** 2))
        u = np.interp(even, (np.cumsum(crowd) - crowd[0]) / (crowd.sum() - crowd[0]), even)
        u = pull_to_values(
            u, [*TOP_KNOTS, v["nerve_along"], v["ridge_front"], 0.60, 0.30, 0.80, ANGLE_LOW]
        )
        w = (1 - np.cos(np.pi * np.linspace(0, 1, W_LINES))) / 2
        return u, pull_to_values(w, [*HIND_KNOTS, v["nerve_height"], 0.72, 0.40, 0.16, 0.62])

    def _coarse_lines(self) -> tuple[Points, Points]:
        """Lines of the coarse grid: through the landmarks, crowded behind the incisor's rim."""
        v = self.values
        u = [*LANDMARK_KNOTS, v["nerve_along"], v["ridge_front"], 0.60, 0.30, 0.80, ANGLE_LOW]
        w = [ANGLE_TIP, HIND_NOTCH, CONDYLE_BACK, v["nerve_height"], 0.72, 0.40, 0.16, 0.62]
        n_u, n_w = COARSE_LINES
        return halve_widest(u, n_u, 0.16, crowd=1.5), halve_widest(w, n_w, 0.0, crowd=0.0)

    def surface(self, u: ArrayLike, w: ArrayLike, face: float) -> Points:
        """Points of the surface in mm.

        Parameters
        ----------
        u, w : array_like, shape (...)
            Surface parameters.
        face : float
            1 for the outer face, -1 for the inner.

        Returns
        -------
        ndarray, shape (..., 3)
        """
        u, w = np.broadcast_arrays(np.asarray(u, dtype=float), np.asarray(w, dtype=float))
        flat = self._lateral_view(u, w)
        z = self._middle(u, w) + face * self._half_thickness(u, w) + self._relief(u, w, face)
        return self.length * self.field.move(np.concatenate([flat, z[..., None]], axis=-1))

    def _outlines(self) -> tuple[Points, Points, Points]:
        """Knots of the upper, lower and hind outline, shape (n, 2) each."""
        v = self.values
        # the tooth row's front end hangs at a fixed place; all else is built from it
        tooth_front = np.array([0.635, 0.200])
        tooth_back = tooth_front + _by(-v["tooth_row_length"], v["tooth_row_tilt"])
        rim_top = np.array([tooth_front[0] + v["gap_length"], 0.06 + v["incisor_lift"]])
        rim_bottom = rim_top + _by(0.035, -v["incisor_depth"])
        gap_low = np.array([tooth_front[0] + 0.52 * v["gap_length"], 0.2 - v["gap_depth"]])
        coronoid = np.array([v["coronoid_place"], v["coronoid_height"]])
        notch = np.array([v["notch_place"], v["notch_height"]])
        condyle = np.array([0.0, v["condyle_height"]])
        condyle_front = condyle + _by(v["condyle_length"], 0.012)
        before_tip, behind_tip = np.array([0.036, -0.030]), np.array([-0.018, -0.014])
        tip = rim_top + _by(0.150, 0.140)
        top = [
            tip,
            rim_top + _by(0.085, 0.030),
            rim_top + _by(0.018, -0.014),
            rim_top,
            gap_low,
            tooth_front,
            tooth_back,
            [tooth_back[0] - v["ramus_front"], 0.250],
            coronoid + before_tip,
            coronoid,
            coronoid + behind_tip,
            notch,
            condyle_front,
            condyle + _by(0.030, 0.018),
            condyle + _by(0.002, 0.004),
        ]
        border_front = np.array([v["border_turn"], 0.2 - v["body_depth"]])
        angle_low = np.array([0.150 - v["angle_reach"], -v["angle_drop"]])
        angle_tip = np.array([-v["angle_reach"], v["angle_lift"]])
        angle_corner = 0.62 * angle_tip + 0.38 * angle_low + _by(-0.022, -0.016)
        middle = (border_front + angle_low) / 2
        bottom = [
            tip + _by(0.016, -0.012),
            rim_bottom + _by(0.098, 0.075),
            rim_bottom + _by(0.016, 0.016),
            rim_bottom,
            border_front,
            0.62 * border_front + 0.38 * angle_low + _by(0, 0.022 - v["belly"]),
            0.30 * middle + 0.70 * angle_low + _by(0.045, 0.045 - 0.6 * v["belly"]),
            angle_low,
            0.5 * angle_low + 0.5 * angle_corner + _by(0.0, -0.008),
            angle_corner,
        ]
        hind_notch = np.array([v["hind_notch_place"], v["hind_notch_height"]])
        condyle_back = condyle + _by(-0.012, -0.022)
        hind = [
            angle_corner,
            0.5 * angle_corner + 0.5 * angle_tip + _by(-0.007, -0.003),
            angle_tip,
            0.60 * angle_tip + 0.40 * hind_notch + _by(0.012, 0.012),
            hind_notch,
            0.45 * hind_notch + 0.55 * condyle_back + _by(0.010, 0.0),
            condyle_back + _by(0.010, -0.030),
            condyle_back,
            condyle + _by(0.002, 0.004),
        ]
        return np.array(top), np.array(bottom), np.array(hind)

    def _lateral_view(self, u: Points, w: Points) -> Points:
        """Coons patch between the outlines, shape (..., 2)."""
        top, bottom, hind = self._outlines()
        upper = through_knots(u, TOP_KNOTS, top)
        crown = np.clip((u - TOOTH_FRONT) / (TOOTH_BACK - TOOTH_FRONT), 0, 1)
        lower = through_knots(u, BOTTOM_KNOTS, bottom)
        straight = (1 - w)[..., None] * lower + w[..., None] * upper
        bulge = through_knots(w, HIND_KNOTS, hind) - (
            (1 - w)[..., None] * hind[0] + w[..., None] * hind[-1]
        )
        flat = straight + (u**3)[..., None] * bulge
        # cheek teeth: rounded crowns on the upper edge of the row
        flat[..., 1] += 0.026 * np.abs(np.sin(TEETH * np.pi * crown)) ** 0.6 * w**10
        return flat

    def _middle(self, u: Points, w: Points) -> Points:
        """How far the middle plane lies to the outer side."""
        v = self.values
        return (
            -v["front_bow"] * (1 - _rise(u, 0.0, 0.55)) * 1.3
            + v["ramus_flare"] * _rise(u, 0.5, 1.0) * w
            + v["angle_flare"] * _rise(u, 0.6, 1.0) * (1 - w) ** 2
        )

    def _half_thickness(self, u: Points, w: Points) -> Points:
        """Half the bone's thickness, 0 on the outline."""
        ramus = _rise(u, 0.50, 0.72)
        body = self.values["thickness"] * (1 - 0.15 * _rise(w, 0.3, 1.0))
        plate = 0.014 + 0.010 * np.exp(-((w / 0.15) ** 2))
        full = (1 - ramus) * body + ramus * plate
        full = full + 0.020 * _bump(u, w, (0.97, 0.95), (0.10, 0.16))
        tooth = 1 - _rise(u, 0.118, RIM)  # the incisor is slimmer than its socket
        full = (1 - tooth) * full + tooth * 0.026
        edge_w = (1 - ramus) * _round_edge(np.minimum(w, 1 - w), 0.5) + ramus * _round_edge(
            np.minimum(w, 1 - w), 0.16
        )
        return full * edge_w * _round_edge(u, 0.07) * _round_edge(1 - u, 0.07)

    def _relief(self, u: Points, w: Points, face: float) -> Points:
        """Ridges and openings on one face, towards the outer side; 0 on the outline."""
        v = self.values
        fade = _round_edge(np.minimum(w, 1 - w), 0.12) * _round_edge(1 - u, 0.1)
        if face < 0:
            return fade * 0.014 * _bump(u, w, (0.80, 0.62), (0.018, 0.06))
        opening = -0.016 * _bump(u, w, (v["nerve_along"], v["nerve_height"]), (0.014, 0.085))
        start = v["ridge_front"]
        along = np.clip((u - start) / (0.92 - start), 0, 1)
        crest = 0.40 - 0.24 * along
        ridge = 0.016 * np.exp(-(((w - crest) / 0.085) ** 2)) * _rise(u, start - 0.05, start + 0.02)
        hollow = -0.010 * _bump(u, w, (0.78, 0.48), (0.10, 0.20))
        front_edge = 0.014 * _bump(u, w, (0.60, 0.72), (0.045, 0.18))
        return fade * (opening + ridge * (1 - _rise(u, 0.85, 0.95)) + hollow + front_edge)
