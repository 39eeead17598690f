"""Screening on the demo study, whose slips are planted and known, and on slips planted here.

The truth is `slips.csv` of the second data folder, and what `make_demo` plants with other seeds.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from demo_landmarks.make_demo import make_demo
from morpho.inference.data.screening import screen
from morpho.shape.symmetry.partners import partner_indices
from morpho.study.check import check_study
from morpho.study.landmarks.reading import DIGITISATION

ROOT = Path(__file__).parents[2]
ELEMENTS = ("lower_jaw", "atlas")
KINDS = {"swapped": "swapped", "unit": "size", "side": "mirror", "displaced": "displaced"}


def digitisations(study, element):
    """Every digitisation of an element, as it came, with what screening needs beside it.

    The study is read without stopping at errors, as unit slips are errors of its check, too.
    """
    read, _ = check_study(study, scans=False)
    scheme, rows = read.schemes[element], read.landmarks[element]
    names = list(scheme.landmark_names)
    wide = rows[rows["landmark"].isin(names)].pivot(
        index=list(DIGITISATION), columns="landmark", values=["x", "y", "z"]
    )
    order = pd.MultiIndex.from_product([["x", "y", "z"], names])
    X = wide.reindex(columns=order).to_numpy(float).reshape(len(wide), 3, -1).transpose(0, 2, 1)
    specimens = wide.index.get_level_values("specimen")
    table = read.specimens.reindex(specimens)
    beside = {"names": names}
    if scheme.symmetry == "object":
        beside["partners"] = partner_indices(names, scheme.pairs, scheme.midline)
    else:
        beside["sides"] = table["side"].to_numpy()
    return X, table["taxon"].to_numpy(), specimens.to_numpy(), beside


def screened(study, element):
    X, taxa, specimens, beside = digitisations(study, element)
    return screen(X, taxa, **beside), specimens


def assert_slips_found(folder, element="lower_jaw", planted=4):
    table, specimens = screened(folder / "study.yaml", element)
    found = {
        (specimens[row.digitisation], row.kind, frozenset(filter(None, row.landmarks.split(";"))))
        for row in table.itertuples()
    }
    with (folder / "slips.csv").open(encoding="utf-8") as stream:
        true = {
            (
                row["specimen"],
                KINDS[row["kind"]],
                frozenset(filter(None, row["landmarks"].split(";"))),
            )
            for row in csv.DictReader(stream)
            if row.get("element", element) == element and row["specimen"]
        }  # fmt: skip
    assert len(true) == planted
    assert found == true


def test_all_planted_slips_are_found_and_nothing_else():
    assert_slips_found(ROOT / "demo_landmarks" / "with_slips")


def test_planted_slips_are_found_beside_queries_and_none_in_these():
    folder = ROOT / "demo_landmarks" / "slips_with_queries"
    assert_slips_found(folder, "lower_jaw", 2)
    assert_slips_found(folder, "atlas", 1)


def test_no_more_than_one_false_alarm_in_the_demo_proper():
    tables = [screened(ROOT / "config" / "study.yaml", element)[0] for element in ELEMENTS]
    assert sum(map(len, tables)) <= 1


@pytest.mark.long
def test_another_sample_of_the_same_world(tmp_path):
    make_demo(1, tmp_path)
    settings = (ROOT / "config" / "study.yaml").read_text(encoding="utf-8")
    schemes = f"{(ROOT / 'config' / 'schemes').as_posix()}/"
    settings = settings.replace("../demo_landmarks/", "").replace("schemes/", schemes)
    (tmp_path / "study.yaml").write_text(settings, encoding="utf-8")
    tables = [screened(tmp_path / "study.yaml", element)[0] for element in ELEMENTS]
    assert sum(map(len, tables)) <= 1
    assert_slips_found(tmp_path / "with_slips")
    for element, planted in (("lower_jaw", 2), ("atlas", 1)):
        assert_slips_found(tmp_path / "slips_with_queries", element, planted)


@pytest.mark.long
@pytest.mark.parametrize("element", ELEMENTS)
def test_slips_of_every_kind_planted_one_at_a_time(element):
    """Power: 2 slips of each kind, in any first digitisation, one at a time."""
    X, taxa, specimens, beside = digitisations(ROOT / "config" / "study.yaml", element)
    first = np.r_[True, specimens[1:] != specimens[:-1]]
    X, taxa = X[first], taxa[first]
    if "sides" in beside:
        beside["sides"] = beside["sides"][first]
    names, k = beside["names"], X.shape[1]
    rng = np.random.default_rng(0)
    whole = np.flatnonzero((taxa != "") & ~np.isnan(X).any(axis=(1, 2)))
    length = np.sqrt(((X[whole] - X[whole].mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2)))
    size = dict(zip(whole.tolist(), length.tolist(), strict=True))
    found = dict.fromkeys(("swapped", "displaced", "mirror", "size"), 0)
    others = 0
    for kind in found:
        for _ in range(2):
            i = int(rng.choice(whole))
            Y, marks = X.copy(), []
            if kind == "swapped":
                marks = rng.choice(k, 2, replace=False).tolist()
                Y[i, marks] = X[i, marks[::-1]]
            elif kind == "displaced":
                marks = [int(rng.integers(k))]
                step = rng.normal(size=3)
                # a fifth of the centroid size: about half the mean distance from the centroid
                Y[i, marks] += 0.2 * size[i] * step / np.linalg.norm(step)
            elif kind == "mirror":
                Y[i, :, 0] *= -1
            else:
                Y[i] *= rng.choice([10, 1 / 10, 25.4, 1000, 1 / 1000])
            table = screen(Y, taxa, **beside)
            mine = table[table["digitisation"] == i]
            told = mine["kind"].tolist()
            right = told == [kind] or (kind == "mirror" and told == ["swapped"])
            if marks:
                right &= set(";".join(mine["landmarks"]).split(";")) == {names[j] for j in marks}
            found[kind] += right
            others += len(table) - len(mine)
    assert others == 0
    assert found == dict.fromkeys(found, 2)
