"""The invented atlas: a ring of bone with a roof, a floor and two wings.

Frame: x to the animal's left, y up, z to the front. Surface parameters: ``phi`` around the ring,
0 at the roof and growing towards the left, and ``psi`` around the bone's section, 0 outwards,
a quarter turn to the front, a half turn towards the canal. Lengths are shares of the atlas's
width. Left and right differ by a small fluctuating asymmetry only.
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
    orient_outwards,
    pull_to_values,
)

__all__ = [
    "CAVE_OFFSETS",
    "COEFFICIENTS",
    "CURVE_ENDS",
    "LANDMARKS",
    "TAXON_OFFSETS",
    "WAVES",
    "Atlas",
]

COEFFICIENTS: Mapping[str, Coefficient] = {
    # from the roof down to the floor, then the wings; shares of the atlas's width
    "roof_length": Coefficient(0.125, 0.0049, 0.021),
    "roof_thickness": Coefficient(0.036, 0.0014, 0.000),
    "roof_tubercle": Coefficient(0.035, 0.0056, 0.042),
    "roof_shift": Coefficient(-0.020, 0.0063, 0.000),
    "ring_height": Coefficient(0.265, 0.0056, -0.063),
    "ring_width": Coefficient(0.285, 0.0049, -0.056),
    "joint_swell": Coefficient(0.060, 0.0042, 0.021),
    "joint_top": Coefficient(1.080, 0.0245, 0.000),
    "joint_bottom": Coefficient(2.300, 0.0280, 0.000),
    "joint_front": Coefficient(0.045, 0.0049, 0.000),
    "side_thickness": Coefficient(0.062, 0.0021, 0.000),
    "axis_joint_place": Coefficient(2.150, 0.0315, 0.000),
    "axis_joint_back": Coefficient(0.030, 0.0049, 0.000),
    "floor_length": Coefficient(0.105, 0.0049, 0.000),
    "floor_thickness": Coefficient(0.044, 0.0014, 0.000),
    "floor_tubercle": Coefficient(0.040, 0.0063, 0.042),
    "floor_shift": Coefficient(0.010, 0.0056, 0.000),
    "wing_droop": Coefficient(0.020, 0.0070, 0.000),
    "wing_reach": Coefficient(0.175, 0.0077, 0.112),
    "wing_sweep": Coefficient(0.060, 0.0084, 0.042),
    "wing_chord": Coefficient(0.170, 0.0056, 0.042),
}
"""Coefficients of the atlas; angles in radians."""

TAXON_OFFSETS: Mapping[str, Mapping[str, float]] = {
    "coast dormouse": {"wing_reach": 0.036, "roof_tubercle": 0.034, "roof_length": 0.006},
    "marsh dormouse": {
        "ring_height": 0.008,
        "wing_sweep": -0.056,
        "floor_length": 0.034,
        "floor_tubercle": -0.014,
        "joint_front": -0.006,
    },
    "ridge dormouse": {
        "wing_chord": 0.023,
        "floor_tubercle": 0.029,
        "roof_shift": -0.032,
        "joint_bottom": -0.102,
    },
    "pygmy dormouse": {
        "wing_reach": -0.029,
        "wing_sweep": 0.032,
        "ring_width": 0.014,
        "roof_length": -0.020,
        "axis_joint_back": 0.020,
        "joint_top": -0.116,
    },
}
"""What sets each taxon's atlas apart at one size."""

CAVE_OFFSETS: Mapping[str, float] = {
    "wing_reach": 0.064,
    "wing_sweep": 0.064,
    "wing_droop": 0.054,
}
"""What sets the cave form's atlas apart from the coast dormouse's: the planted truth."""

WAVES = ((2.0, 0.0, 0.0), (0.0, 2.0, 0.0), (1.5, 1.5, 0.0), (0.0, 1.5, 2.0))
"""Waves of the smooth unevenness."""

WING = 1.72  # phi of the wing's plane
QUARTER = np.pi / 2
CUP = 1.9  # psi of the middle of the skull's joint surfaces
PHI_LINES, PSI_LINES = 96, 32
FRONT_ROOT, BACK_ROOT, TIP = 1.42, -1.42, -0.12  # psi of the wing's landmarks
MIDLINE = ("roof_front", "roof_back", "roof_top", "floor_front", "floor_back", "floor_low")
PAIRED = (
    "wing_tip",
    "wing_front",
    "wing_back",
    "skull_joint_top",
    "skull_joint_bottom",
    "axis_joint",
)
LANDMARKS = MIDLINE + tuple(f"{name}_{side}" for name in PAIRED for side in ("left", "right"))
CURVE_ENDS = {
    "wing_edge_left": ("wing_front_left", "wing_tip_left"),
    "wing_edge_right": ("wing_front_right", "wing_tip_right"),
}
CURVES = {"wing_edge_left": 1.0, "wing_edge_right": -1.0}


def _hill(at: Points, centre: float, width: float, power: float = 2.0) -> Points:
    """Hill of height 1; a higher power gives a flatter top and steeper sides."""
    return np.exp(-(np.abs((at - centre) / width) ** power))


@dataclass(frozen=True)
class Atlas:
    """One atlas.

    Parameters
    ----------
    values : mapping of str to float
        Every coefficient of `COEFFICIENTS`.
    field : SmoothField
        The individual's smooth unevenness, left and right alike.
    uneven_sides : SmoothField
        Fluctuating asymmetry: a smaller field that heeds no midline.
    width : float
        Width from wing tip to wing tip in mm, about.
    """

    values: Mapping[str, float]
    field: SmoothField
    uneven_sides: SmoothField
    width: float

    def _places(self) -> dict[str, tuple[float, float]]:
        """(phi, psi) of every landmark; phi of the left side for paired ones."""
        v = self.values
        phi_middle = (0.0, 0.0, 0.0, np.pi, np.pi, np.pi)
        psi_middle = (QUARTER, -QUARTER, 0.0) * 2
        paired = (
            (WING, TIP),
            (WING, FRONT_ROOT),
            (WING, BACK_ROOT),
            (v["joint_top"], CUP),
            (v["joint_bottom"], CUP),
            (v["axis_joint_place"], -1.45),
        )
        both = [(sign * phi, psi) for phi, psi in paired for sign in (1.0, -1.0)]
        places = [*zip(phi_middle, psi_middle, strict=True), *both]
        return dict(zip(LANDMARKS, places, strict=True))

    def landmarks(self) -> dict[str, Points]:
        """Every landmark, shape (3,) each, in mm."""
        return {name: self.surface(*place) for name, place in self._places().items()}

    def curve(self, name: str, along: ArrayLike) -> Points:
        """Points of a wing's front edge, shape (n, 3), from root (0) to tip (1), in mm."""
        along = np.asarray(along, dtype=float)
        psi = FRONT_ROOT + along * (TIP - FRONT_ROOT)
        return self.surface(np.full_like(along, CURVES[name] * WING), psi)

    def mesh(
        self,
        between: tuple[float, float] | None = None,
        worn_to: tuple[float, float] | None = None,
    ) -> tuple[Points, NDArray[np.int64]]:
        """Closed surface of the whole ring, or of a broken piece of it.

        Parameters
        ----------
        between : tuple of float, optional
            Keep the ring from one phi to another only, with jagged ends closed over.
        worn_to : tuple of float, optional
            Break the wings off at the first distance from the middle plane and the roof at the
            second height, in mm.

        Returns
        -------
        vertices : ndarray, shape (n_vertices, 3)
            In mm.
        faces : ndarray, shape (n_faces, 3)
        """
        places = np.array(list(self._places().values()))
        phi = self._phi_lines(places[:, 0])
        psi = np.linspace(-np.pi, np.pi, PSI_LINES, endpoint=False)
        psi = np.sort(np.append(pull_to_values(psi[1:], places[:, 1]), -np.pi))
        if between is not None:
            phi = np.linspace(*between, int(len(phi) * (between[1] - between[0]) / 4))
        grid_phi, grid_psi = np.meshgrid(phi, psi, indexing="ij")
        if between is not None:  # a jagged break: the end rings wander around the section
            jag = 0.05 * np.sin(3 * grid_psi + 1) + 0.03 * np.sin(7 * grid_psi)
            ends = np.array([_hill(phi, between[0], 0.15), _hill(phi, between[1], 0.15)])
            grid_phi = grid_phi + (ends[0] - ends[1])[:, None] * jag
        vertices = self.surface(grid_phi, grid_psi).reshape(-1, 3)
        number = np.arange(len(vertices)).reshape(grid_phi.shape)
        wrapped = np.concatenate([number, number[:, :1]], axis=1)
        if between is None:
            wrapped = np.concatenate([wrapped, wrapped[:1]], axis=0)
        a, b = wrapped[:-1, :-1].ravel(), wrapped[1:, :-1].ravel()
        c, d = wrapped[1:, 1:].ravel(), wrapped[:-1, 1:].ravel()
        faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
        if between is not None:
            for ring, turned in ((wrapped[0], False), (wrapped[-1], True)):
                centre = np.full(len(ring) - 1, len(vertices))
                lid = np.column_stack([centre, ring[:-1], ring[1:]])
                vertices = np.append(vertices, [vertices[ring[:-1]].mean(axis=0)], axis=0)
                faces = np.append(faces, lid[:, ::-1] if turned else lid, axis=0)
        if worn_to is not None:
            grain = 0.08 * np.sin(5 * vertices[:, 2]) + 0.05 * np.sin(13 * vertices[:, 1])
            vertices[:, 0] = np.clip(vertices[:, 0], -worn_to[0] - grain, worn_to[0] + grain)
            grain = 0.05 * np.sin(7 * vertices[:, 2]) + 0.03 * np.sin(11 * vertices[:, 0])
            vertices[:, 1] = np.minimum(vertices[:, 1], worn_to[1] + grain)
        return vertices, orient_outwards(vertices, faces)

    def surface(self, phi: ArrayLike, psi: ArrayLike) -> Points:
        """Points of the surface in mm.

        Parameters
        ----------
        phi, psi : array_like, shape (...)
            Surface parameters in radians.

        Returns
        -------
        ndarray, shape (..., 3)
        """
        phi, psi = np.broadcast_arrays(np.asarray(phi, dtype=float), np.asarray(psi, dtype=float))
        around = np.abs((phi + np.pi) % (2 * np.pi) - np.pi)  # 0 at the roof, pi at the floor
        side = np.sign(np.sin(phi))
        v = self.values
        lateral = _hill(around, 1.72, 0.80, 4)
        above = _hill(around, 0.0, 1.2)
        below = _hill(around, np.pi, 1.0)
        radial = (
            v["roof_thickness"] * (1 - lateral) * (around < QUARTER)
            + v["floor_thickness"] * (1 - lateral) * (around >= QUARTER)
            + v["side_thickness"] * lateral
        )
        axial = v["roof_length"] * above + v["floor_length"] * below
        axial = axial + (v["wing_chord"] - axial) * lateral
        shift = v["roof_shift"] * above + v["floor_shift"] * below
        outwards, forwards = np.cos(psi), np.sin(psi)
        # joint surfaces: the skull's cups swell forwards, the axis's stand a little back
        joint_middle = (v["joint_top"] + v["joint_bottom"]) / 2
        joint_reach = (v["joint_bottom"] - v["joint_top"]) / 2
        cups = _hill(around, joint_middle, 1.25 * joint_reach, 4)
        forward_hill = np.clip(forwards, 0, None) ** 2
        backward_hill = np.clip(-forwards, 0, None) ** 2
        z = axial * forwards + shift
        z = z + (v["joint_front"] * cups + 0.5 * v["joint_swell"] * cups) * forward_hill
        z = z - 0.035 * _hill(around, joint_middle, 0.6 * joint_reach) * _hill(psi, CUP, 0.45)
        z = z - v["axis_joint_back"] * _hill(around, v["axis_joint_place"], 0.35) * backward_hill
        reach = radial * outwards
        crest = np.clip(outwards, 0, None) ** 3
        reach = reach + v["roof_tubercle"] * _hill(around, 0.0, 0.28) * crest
        reach = reach + v["floor_tubercle"] * _hill(around, np.pi, 0.30) * crest
        reach = reach + v["joint_swell"] * cups * 0.35 * np.clip(-outwards, 0, None) ** 2
        x = (v["ring_width"] + reach) * np.sin(around)
        y = (v["ring_height"] + reach) * np.cos(around)
        # the wing: a plate drawn out of the side, swept back and drooping towards its tip
        plate = _hill(around, WING, 0.20, 3)
        out = np.clip(outwards, 0, None) ** 0.8 * plate
        x = x + v["wing_reach"] * out
        y = y - v["wing_droop"] * out
        z = z - v["wing_sweep"] * out
        half = self.field.move(np.stack([x, y, z], axis=-1))
        # the field must leave the middle plane in place: its push across fades out there
        fade = np.clip(np.abs(x) / 0.15, 0, 1)
        half[..., 0] = x + (half[..., 0] - x) * fade
        half[..., 0] *= np.where(np.isclose(np.sin(phi), 0), 0.0, side)
        return self.width * self.uneven_sides.move(half)

    @staticmethod
    def _phi_lines(wanted: Points) -> Points:
        """Grid lines around the ring, crowded where the wings rise."""
        even = np.linspace(-np.pi, np.pi, 4001)
        crowd = 1 + 4 * _hill(np.abs(even), WING, 0.22)
        share = (np.cumsum(crowd) - crowd[0]) / (crowd.sum() - crowd[0])
        lines = np.interp(np.linspace(0, 1, PHI_LINES + 1), share, even)
        return pull_to_values(lines, wanted)[1:]
