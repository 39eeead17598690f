"""Taxa are told apart by those who see fewer colours, and by their marks without any colour."""

from itertools import combinations

import numpy as np
import pytest

from morpho.drawing.style import QUERY, VERDICTS, query_marks, taxon_marks

# Machado, Oliveira & Fernandes 2009 (IEEE Transactions on Visualization and Computer Graphics
# 15, 1291-1298), severity 1.0, applied to linear RGB. From memory, not copied from the paper;
# each row sums to 1, so that greys stay grey (tested below).
VISION = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
# CIE 1976 colour difference; about 2.3 is just seen side by side (common practice, no source),
# and small marks far apart need several times that.
APART = 20
TAXA = [f"taxon {i:02}" for i in range(24)]


def linear(colour):
    """Linear RGB from sRGB as hexadecimal digits (IEC 61966-2-1)."""
    c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIELAB, white D65, from linear RGB (CIE 15; matrix of IEC 61966-2-1)."""
    to_xyz = [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
    t = np.array(to_xyz) @ rgb / [0.95047, 1.0, 1.08883]
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def palette():
    return list(dict.fromkeys(mark["color"] for mark in taxon_marks(TAXA).values()))


def test_the_ruler_itself():
    """White, black and sRGB red, whose CIELAB values stand in any textbook."""
    np.testing.assert_allclose(lab(linear("#ffffff")), [100, 0, 0], atol=0.02)
    np.testing.assert_allclose(lab(linear("#000000")), [0, 0, 0], atol=0.02)
    np.testing.assert_allclose(lab(linear("#ff0000")), [53.24, 80.09, 67.20], atol=0.05)
    for matrix in VISION.values():
        np.testing.assert_allclose(matrix.sum(axis=1), 1, atol=2e-6)


@pytest.mark.parametrize("vision", VISION)
def test_colours_of_taxa_are_told_apart(vision):
    """The eight colours of taxa, pair by pair."""
    seen = {c: lab(np.clip(VISION[vision] @ linear(c), 0, 1)) for c in palette()}
    assert len(seen) == 8
    near = {
        pair: float(np.linalg.norm(seen[pair[0]] - seen[pair[1]]))
        for pair in combinations(seen, 2)
        if np.linalg.norm(seen[pair[0]] - seen[pair[1]]) < APART
    }
    assert not near


@pytest.mark.parametrize("vision", VISION)
def test_colours_of_verdicts_are_told_apart(vision):
    """Inside, outside and undecided fill neighbouring bars: pair by pair."""
    seen = [lab(np.clip(VISION[vision] @ linear(c), 0, 1)) for c in VERDICTS.values()]
    assert set(VERDICTS) == {"inside", "outside", "undecided"}
    assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) > APART
    # and printed in grey
    light = sorted(lab(linear(c))[0] for c in VERDICTS.values())
    assert min(np.diff(light)) > 10


def test_colours_stand_off_the_paper():
    """On white, a mark's contrast is at least 1.9 to 1 (relative luminance, WCAG 2)."""
    for colour in (*palette(), QUERY):
        luminance = linear(colour) @ [0.2126, 0.7152, 0.0722]
        assert 1.05 / (luminance + 0.05) >= 1.9, colour


def test_no_two_taxa_share_colour_and_mark():
    marks = taxon_marks(TAXA)
    assert len({(m["color"], m["marker"]) for m in marks.values()}) == len(TAXA)


def test_taxa_of_a_usual_study_differ_by_mark_alone():
    """Printed in black, up to eight taxa differ."""
    assert len({m["marker"] for m in taxon_marks(TAXA[:8]).values()}) == 8


def test_a_taxon_looks_the_same_in_every_figure():
    """Neither the order of rows nor repeats matter."""
    assert taxon_marks(["b", "a", "b"]) == taxon_marks(["a", "b"])


def test_queries_differ_from_taxa_and_from_each_other():
    """By mark, with white filling; names stand beside them where marks run out."""
    marks = [m["marker"] for m in query_marks(TAXA[:6]).values()]
    assert len(set(marks)) == 6
    assert not set(marks) & {m["marker"] for m in taxon_marks(TAXA).values()}
    assert QUERY not in palette()
