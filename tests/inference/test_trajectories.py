"""Only a juvenile? Distances from growth lines beside those of members left out."""

from __future__ import annotations

import numpy as np
import pytest

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.membership.trajectories import trajectories

RULES = Rules(0.05, 5, None, 1)
TAXON = np.repeat(["ash", "birch"], [10, 9])


@pytest.fixture
def grown(rng):
    """Two taxa on parallel lines of growth, and a juvenile far below the first one's adults."""
    size = rng.normal(3, 0.15, 19)
    line = np.array([1.0, 0.5, 0, 0, 0])
    away = np.outer(TAXON == "birch", [0, 0, 1.0, 0, 0])
    known = Shapes(np.outer(size - 3, line) + away + 0.03 * rng.normal(size=(19, 5)), size, TAXON)
    at = np.array([2.2, size[:10].mean()])
    shapes = np.outer(at - 3, line) + 0.03 * rng.normal(size=(2, 5))
    shapes[1, 4] += 1.0
    return known, Shapes(shapes, at, np.array(["", ""]))


def table_of(known, queries, rules=RULES, stages=None, query_stages=("", "")):
    stages = np.full(len(known.taxon), "") if stages is None else stages
    found = judge(known, queries, rules)
    names = ["young", "odd"][: len(queries.log_size)]
    table = trajectories(found, known, queries, names, stages=stages, query_stages=query_stages)
    return found, table.set_index(["specimen", "taxon"])


def test_a_juvenile_is_inside_on_its_line_though_far_from_the_mean(grown):
    known, queries = grown
    found, table = table_of(known, queries)
    young, odd = table.loc[("young", "ash")], table.loc[("odd", "ash")]
    mean = known.tangent[:10].mean(axis=0)
    far = np.linalg.norm(queries.tangent[0] - mean)
    assert far > 2 * np.linalg.norm(known.tangent[:10] - mean, axis=1).max()
    assert young["distance"] < 0.15 * far
    assert young["members_as_far"] >= 1
    assert young["p_value"] > 0.05
    assert found.decisions[0][False].verdict == "outside"
    assert (found.verdicts[0].verdict, found.verdicts[0].ground) == ("inside", "size_explains")
    # a new form of a member's size lies off every line
    assert odd["members_as_far"] == 0
    assert odd["distance"] > 5 * odd["members_largest_distance"]
    assert found.verdicts[1].verdict == "outside"
    assert table.loc[("young", "birch"), "members_as_far"] == 0


def test_members_distances_are_those_of_specimens_left_out(grown):
    """Each member from the line that the others draw, on the scale of the query's own."""
    known, queries = grown
    _, table = table_of(known, queries)
    left = []
    for i in range(10):
        rest = np.arange(19) != i
        Y = known.tangent
        model = KnownTaxa(Y[rest], TAXON[rest], known.log_size[rest])
        left.append(model.hold(Y[[i]], known.log_size[[i]]).comparable[0, 0])
    row = table.loc[("young", "ash")]
    assert row["members_median_distance"] == pytest.approx(np.median(left))
    assert row["members_largest_distance"] == pytest.approx(np.max(left))
    assert row["members_as_far"] == (np.array(left) >= row["distance"]).sum()


def test_how_far_a_size_lies_beyond_those_measured(grown):
    known, queries = grown
    _, table = table_of(known, queries)
    sizes = known.log_size[:10]
    low, high = sizes.min(), sizes.max()
    young, odd = table.loc[("young", "ash")], table.loc[("odd", "ash")]
    assert young["sizes_beyond"] == pytest.approx((low - 2.2) / (high - low))
    assert odd["sizes_beyond"] == 0
    assert (young["smallest_log_size"], young["largest_log_size"]) == (low, high)
    assert young["log_centroid_size"] == 2.2
    larger = Shapes(queries.tangent[:1], np.array([high + 0.4]), queries.taxon[:1])
    _, table = table_of(known, larger)
    assert table.loc[("young", "ash"), "sizes_beyond"] == pytest.approx(0.4 / (high - low))


def test_a_taxon_of_one_size_has_no_range(grown):
    known, queries = grown
    size = known.log_size.copy()
    size[TAXON == "birch"] = 3.1
    _, table = table_of(Shapes(known.tangent, size, TAXON), queries)
    assert np.isnan(table.loc[("young", "birch"), "sizes_beyond"])
    at = Shapes(queries.tangent[:1], np.array([3.1]), queries.taxon[:1])
    _, table = table_of(Shapes(known.tangent, size, TAXON), at)
    assert table.loc[("young", "birch"), "sizes_beyond"] == 0


def test_a_taxon_of_one_has_no_members_to_compare_with(grown):
    known, queries = grown
    part = Shapes(known.tangent[:11], known.log_size[:11], TAXON[:11])
    _, table = table_of(part, queries)
    row = table.loc[("young", "birch")]
    assert np.isnan(row["members_median_distance"])
    assert np.isnan(row["members_largest_distance"])
    assert (row["members_as_far"], row["taxon_specimens"]) == (0, 1)
    assert np.isfinite(row["distance"])


def test_the_growth_line_is_named_for_each_taxon(grown):
    """Own where the test rejects and specimens suffice or no other is left, shared otherwise."""
    known, queries = grown
    part = Shapes(known.tangent[:16], known.log_size[:16], TAXON[:16])
    _, shared = table_of(part, queries)
    assert set(shared["growth_line"]) == {"shared"}
    rules = Rules(0.05, 5, 0.01, 1)
    found, own = table_of(part, queries, rules)
    assert found.own_slopes == ("ash", "birch")
    assert own.loc["young", "growth_line"].to_dict() == {"ash": "own", "birch": "own"}
    assert own.loc[("young", "ash"), "distance"] != shared.loc[("young", "ash"), "distance"]


def test_stages_are_counted_without_regard_to_case(grown):
    known, queries = grown
    stages = np.array(["Juvenile "] * 4 + ["adult"] * 6 + [""] * 9)
    _, table = table_of(known, queries, stages=stages, query_stages=[" juvenile", ""])
    row = table.loc[("young", "ash")]
    assert row["stage"] == "juvenile"
    assert row["same_stage_specimens"] == 4
    spread = judge(known, queries, RULES).models[True].spread()[:10]
    assert row["same_stage_as_far"] == (spread[:4] >= row["distance"]).sum()
    assert table.loc[("young", "birch"), "same_stage_specimens"] == 0
    # a blank stage matches no blank
    assert table.loc[("odd", "birch"), "same_stage_specimens"] == 0
    assert table.loc[("odd", "birch"), "stage"] == ""


def test_p_values_are_those_of_the_verdict(grown):
    known, queries = grown
    found, table = table_of(known, queries)
    for q, name in enumerate(("young", "odd")):
        for g, taxon in enumerate(("ash", "birch")):
            row = table.loc[(name, taxon)]
            assert row["p_value"] == found.evidence[True].p_value[q, g]


def test_without_sizes_there_are_no_lines(grown):
    known, queries = grown
    level = Shapes(known.tangent, np.full(19, 3.0), TAXON)
    found = judge(level, queries, RULES)
    table = trajectories(
        found, level, queries, ["young", "odd"], stages=np.full(19, ""), query_stages=["", ""]
    )
    assert table.empty
    assert "sizes_beyond" in table
