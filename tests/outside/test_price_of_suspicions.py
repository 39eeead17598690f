"""What verdicts without suspected specimens cost where there is no slip, and save where there is.

Invented studies with known truth: forty known specimens of four taxa, twelve landmarks on bones
of one side that grow alike, and four queries: two members of known taxa, a small juvenile and a
form of its own. Of known specimens none, one or two have a slip: a bone of the wrong side, names
of two landmarks exchanged, or a landmark displaced by a fifth of centroid size. What the
screening suspects is left out as `vary` does it. Right is outside of the form of its own, and of
a member inside where its own taxon keeps it; undecided is neither right nor wrong.

Measured once on seeds 0 to 29, of 120 verdicts each:

======================  ========  ================  ====================
slips                   suspects  right taken back  wrong, of these back
======================  ========  ================  ====================
none                           0           0 of 93   1,  0
none, heavy tails              2           0 of 88   4,  1
one in a study                29           3 of 88  15, 15
one, heavy tails              29           2 of 86  16, 14
two in a study                57           0 of 89  20, 20
======================  ========  ================  ====================
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pytest

from morpho.inference.data.screening import screen
from morpho.inference.membership.judging import Rules
from morpho.inference.robustness.conclusion import conclude
from morpho.inference.robustness.reanalysis import Material, analyse
from morpho.inference.robustness.stability import (
    ALL_SUSPECTS,
    SUSPECTS,
    stability_summary,
    turned,
)
from morpho.shape.symmetry.sides import mirror

K, EACH, APART = 12, 10, 0.1
TAXA = ("a", "b", "c", "d")
QUERIES = ("a", "b", "b", "own")
RULES = Rules(0.05, 5, None, 1)


def bones(rng, heavy):
    """Configurations, taxa (blank for queries) of known specimens and queries.

    Individuals vary along few directions more than along others; with heavy tails their
    deviations are those of a multivariate t with four degrees of freedom.
    """
    base, growth = rng.normal(size=(2, K, 3))
    form = {name: base + APART * rng.normal(size=(K, 3)) for name in (*TAXA, "own")}
    loadings = rng.normal(size=(8, K, 3)) * np.geomspace(0.05, 0.01, 8)[:, None, None]
    taxon = [name for name in TAXA for _ in range(EACH)]
    X = []
    for i, name in enumerate([*taxon, *QUERIES]):
        size = -0.5 if i == len(taxon) + 2 else rng.normal(0, 0.2)
        own = np.tensordot(rng.normal(size=8), loadings, 1) + 0.03 * rng.normal(size=(K, 3))
        own *= np.sqrt(2 / rng.chisquare(4)) if heavy else 1
        X.append(np.exp(3 + size) * (form[name] + 0.25 * size * growth + own))
    return np.array(X), np.array(taxon + [""] * len(QUERIES))


def plant(rng, X, known, kinds):
    """Slips of these kinds in known specimens, of any kind where it is blank."""
    X = X.copy()
    for i, kind in zip(
        rng.choice(np.flatnonzero(known), len(kinds), replace=False), kinds, strict=True
    ):
        kind = kind or rng.choice(["mirror", "swapped", "displaced"])
        if kind == "mirror":
            X[i] = mirror(X[i])
        elif kind == "swapped":
            first, second = rng.choice(K, 2, replace=False)
            X[i, [first, second]] = X[i, [second, first]]
        else:
            step = rng.normal(size=3)
            size = np.linalg.norm(X[i] - X[i].mean(axis=0))
            X[i, rng.integers(K)] += 0.2 * size * step / np.linalg.norm(step)
    return X


def judged(seed, slips, heavy=False):
    """Of one study: truths, verdicts before and after suspects are left out; and the suspects."""
    rng = np.random.default_rng([seed, heavy])  # the same bones whatever the slips
    X, taxon = bones(rng, heavy)
    known = taxon != ""
    X = plant(rng, X, known, slips)
    names = np.array([f"no. {i}" for i in range(len(X))])
    found = screen(X, taxon)
    suspects = sorted({int(i) for i in found["digitisation"] if known[i]})
    material, everyone = Material(X, taxon, known), np.arange(len(X))
    groups = {str(names[i]): [i] for i in suspects}
    groups |= {ALL_SUSPECTS: suspects} if len(suspects) > 1 else {}
    rows = told("as analysed", "", names[~known], material)
    for name, who in groups.items():
        without = material.of(np.delete(everyone, who))
        rows += told(SUSPECTS, name, names[~known], without)
    as_analysed = {row["specimen"]: row for row in rows if row["choice"] == "as analysed"}
    table = pd.DataFrame(
        [row | {"turns": turned(row, as_analysed[row["specimen"]])} for row in rows]
    ).assign(suspected=False)
    summary = stability_summary(table)
    nothing = pd.DataFrame(columns=["left_out", "taxon", "outside", "specimens"])
    rows = []
    for place, name in enumerate(names[~known]):
        base = table[(table["specimen"] == name) & (table["choice"] == "as analysed")].iloc[0]
        tried = summary[summary["specimen"] == name]
        settings = table[table["specimen"] == name]
        last = conclude(base["verdict"], nothing, tried, settings, alpha=0.05, smallest_share=0)
        rows.append((QUERIES[place], base["verdict"], "; ".join(base["kept"]), last.verdict))
    return rows, suspects


def told(choice, setting, names, material):
    """Rows as in the table of `vary`, which has many more choices that take most of its time."""
    return [
        {"specimen": name, "choice": choice, "setting": setting, **vars(verdict)}
        for name, verdict in zip(names, analyse(material, RULES).verdicts, strict=True)
    ]


def right(truth, verdict, kept):
    if verdict == "undecided":
        return None
    if truth == "own":
        return verdict == "outside"
    return verdict == "inside" and truth in kept.split("; ")


def counted(seeds, slips, heavy=False):
    """Right and wrong verdicts before, what became of them, and suspects."""
    total = Counter()
    for seed in seeds:
        rows, suspects = judged(seed, slips, heavy)
        total["suspects"] += len(suspects)
        for truth, before, kept, after in rows:
            was = right(truth, before, kept)
            what = {True: "right", False: "wrong", None: "undecided"}[was]
            total[what] += 1
            total[f"{what} taken back"] += before != after
    return total


def blank(count):
    return ("",) * count


@pytest.mark.long
def test_a_bone_of_the_wrong_side_and_a_pair_exchanged_lead_to_no_wrong_verdict():
    """The form of its own is told inside in most studies, as the slips take the axes.

    All that is wrong because of them is taken back, and little of what is right.
    """
    total = counted(range(40, 45), ("mirror", "swapped"))
    clean = counted(range(40, 45), ())
    assert total["suspects"] >= 9
    assert total["wrong"] >= clean["wrong"] + 3
    assert total["wrong"] - total["wrong taken back"] <= clean["wrong"]
    assert total["right taken back"] <= 0.15 * total["right"]
    # without a slip nothing is paid
    assert clean["suspects"] <= 1
    assert clean["right taken back"] == 0


@pytest.mark.long
def test_a_slip_of_any_kind_and_heavy_tails():
    one, heavy = counted(range(50, 56), blank(1)), counted(range(50, 54), (), heavy=True)
    assert one["wrong"] > 0
    assert one["wrong taken back"] >= 0.8 * one["wrong"]
    assert one["right taken back"] <= 0.15 * one["right"]
    assert heavy["suspects"] <= 3
    assert heavy["right taken back"] <= 0.05 * heavy["right"]
