"""Where queries differ, through the steps: tables against numbers worked out beside them."""

import warnings
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from morpho.inference.differences.ranges import false_discovery
from morpho.study.settings.schema import study_schema

CHAIN = ("prepare", "slide", "measure", "superimpose", "ordinate", "grow", "place")
WRITTEN = (
    "displacements", "fits", "region_displacements", "measurements", "measurements_at_size",
    "measurement_summary", "measurement_ranking", "measurement_ranges",
)  # fmt: skip
LANDMARKS = [f"point_{i + 1}" for i in range(8)]
EDGE, RIM = [f"edge.{i + 1}" for i in range(4)], [f"rim.{i + 1}" for i in range(4)]
# Named like columns of the tables that they stand in.
NAMED = {
    "taxon": ["point_1", "point_2"],
    "value": ["point_7", "point_3"],
    "specimen": ["point_2", "point_1", "point_4"],
    "role": ["point_6", "point_5", "point_2", "point_1"],
}
STANDARD = ["point_1", "point_2"]
PLANTED, MOVED = "point_6", np.array([2.0, -2.0, 1.0])
QUERIES = {"find 1": "ash", "lost": "birch", "own": "a form of its own"}


def run(study, *steps):
    for step in steps or (*CHAIN, "differ"):
        assert study.step(step, "bone") == 0, step


def with_curves(study):
    """Two bowed curves: from point_1 to point_2, and from point_2 to point_3."""
    study.landmarks = [*LANDMARKS, *EDGE, *RIM]
    shapes = study.shapes["bone"]
    share = np.linspace(0, 1, 6)[1:-1, None]
    bow = np.array([0.0, 0.0, 1.5]) * np.sin(np.pi * share)
    for start, end in ((0, 1), (1, 2)):
        line = (1 - share) * shapes[:, None, start] + share * shapes[:, None, end] + bow
        shapes = np.concatenate([shapes, line], axis=1)
    study.shapes["bone"] = shapes
    study.scheme["curves"] = [
        {"name": "edge", "from": "point_1", "to": "point_2", "semilandmarks": 3},
        {"name": "rim", "from": "point_2", "to": "point_3", "semilandmarks": 2},
    ]
    study.scheme["modules"] = {
        "head": ["point_1", "point_2", "point_6"], "foot": ["point_3", "point_4"],
    }  # fmt: skip


@pytest.fixture(scope="module")
def study(invent_once):
    """Planted: a landmark of find 1. Lost: point_3 of a query, point_1 of a known specimen."""
    missing = {"known": "estimate", "query": "estimate", "imputations": 3}
    study = invent_once(
        {"ash": 8, "birch": 7, "cedar": 3},
        QUERIES,
        landmarks=8,
        settings={"preparation": {"missing": missing}},
    )
    study.shapes["bone"][study.names.index("find 1"), LANDMARKS.index(PLANTED)] += MOVED
    with_curves(study)
    study.shapes["bone"][study.names.index("lost"), 2] = np.nan
    study.shapes["bone"][study.names.index("ash 3"), 0] = np.nan
    study.scheme["measurements"] = [{"name": n, "points": p} for n, p in NAMED.items()]
    study.scheme["standard_length"] = STANDARD
    study.write()
    run(study)
    return study


def part(table, specimen, taxon, heeded):
    chosen = (table["specimen"] == specimen) & (table["taxon"] == taxon)
    return table[chosen & (table["size_heeded"] == heeded)]


def placed(study):
    """Shapes by name of the specimen, and of the points; sizes; taxa."""
    arrays = study.results().arrays("superimposed")
    n = len(arrays["specimen"])
    shapes = arrays["tangent"].reshape(n, -1, 3) + arrays["mean"]
    names, points = arrays["specimen"].tolist(), arrays["point"].tolist()
    return {
        name: (pd.DataFrame(shapes[i], index=points), float(arrays["log_size"][i]))
        for i, name in enumerate(names)
    }, dict(zip(names, arrays["taxon"].tolist(), strict=True))


def test_each_judged_query_has_every_point_in_both_ways(study):
    table = study.results().table("displacements")
    verdicts = study.results().table("verdicts").set_index("specimen")["nearest_taxon"]
    points = study.results().arrays("configurations")["point"].tolist()
    assert len(points) == 8 + 3 + 2
    groups = table.groupby(["specimen", "taxon", "size_heeded"])
    assert set(groups.groups) == {(q, verdicts[q], h) for q in QUERIES for h in (False, True)}
    for _, rows in groups:
        assert sorted(rows["landmark"]) == sorted(points)
        assert rows["rank"].tolist() == list(range(1, len(points) + 1))
        assert rows["in_taxon_sd"].is_monotonic_decreasing
        kinds = {point: "landmark" if point in LANDMARKS else "curve" for point in points}
        assert rows.set_index("landmark")["kind"].to_dict() == kinds


def test_landmarks_and_semilandmarks_are_adjusted_apart(study):
    """What is said of landmarks holds for them: the semilandmarks have no part in it."""
    table = study.results().table("displacements")
    apart = table["kind"] == "landmark"
    for _, rows in table.groupby(["specimen", "size_heeded", apart]):
        expected = false_discovery(rows["p_value"])
        np.testing.assert_allclose(rows["p_value_false_discovery"], expected, rtol=1e-7)


@pytest.mark.parametrize("heeded", [False, True])
def test_a_planted_landmark_ranks_first_with_its_length(study, heeded):
    """3 mm, told by the fit that a local change does not drag along."""
    rows = part(study.results().table("displacements"), "find 1", "ash", heeded)
    first = rows.iloc[0]
    assert first["landmark"] == PLANTED
    assert first["p_value_false_discovery"] < 0.01
    assert first["resistant_displacement_mm"] == pytest.approx(np.linalg.norm(MOVED), abs=0.5)
    away = rows[rows["landmark"] != PLANTED]
    assert (away["resistant_displacement_mm"] < 1).all()
    fits = study.results().table("fits")
    share = part(fits, "find 1", "ash", heeded)["share_of_fits_differing"].item()
    assert share == pytest.approx(rows["fits_differ"].mean())


def test_displacements_lead_from_the_taxons_mean_to_the_query(study):
    """At the query's size, in mm: mean of the members by name, the query, and the way between."""
    shapes, taxa = placed(study)
    table = study.results().table("displacements")
    for name in QUERIES:
        shape, log_size = shapes[name]
        nearest = table.loc[table["specimen"] == name, "taxon"].iloc[0]
        mean = sum(shapes[s][0] for s in shapes if taxa[s] == nearest) / sum(
            taxa[s] == nearest for s in shapes
        )
        rows = part(table, name, nearest, False).set_index("landmark")
        goal = np.exp(log_size) * mean.loc[rows.index].to_numpy()
        np.testing.assert_allclose(rows[["x", "y", "z"]], goal, rtol=1e-6, atol=1e-7)
        moved = np.exp(log_size) * shape.loc[rows.index].to_numpy() - goal
        np.testing.assert_allclose(rows[["x_mm", "y_mm", "z_mm"]], moved, rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(
            rows["displacement_mm"], np.linalg.norm(moved, axis=1), rtol=1e-6
        )


def expected_at_its_size(study, query, taxon, own):
    """Shape of a taxon at the size of a query, by least squares on dummies and log size."""
    shapes, taxa = placed(study)
    known = [s for s in shapes if taxa[s]]
    levels = sorted({taxa[s] for s in known})
    x = np.array([shapes[s][1] for s in known])
    D = np.array([[taxa[s] == level for level in levels] for s in known], dtype=float)
    lines = [D[:, levels.index(taxon)] == 1] if own else [np.ones(len(known), dtype=bool)]
    if own:
        lines.append(~lines[0])
    columns = np.column_stack([D, *[x * line for line in lines]])
    Y = np.array([shapes[s][0].to_numpy().ravel() for s in known])
    B = np.linalg.lstsq(columns, Y, rcond=None)[0]
    log_size = shapes[query][1]
    at = np.concatenate([np.eye(len(levels))[levels.index(taxon)], [log_size]])
    shape = at @ B[: len(levels) + 1]
    return pd.DataFrame(np.exp(log_size) * shape.reshape(-1, 3), index=shapes[query][0].index)


def test_size_is_heeded_along_the_growth_line(study):
    assert study.results().notes("place")["own_slopes"] == []
    rows = part(study.results().table("displacements"), "find 1", "ash", True)
    goal = expected_at_its_size(study, "find 1", "ash", own=False)
    found = rows.set_index("landmark").loc[goal.index, ["x", "y", "z"]]
    np.testing.assert_allclose(found, goal, rtol=1e-6, atol=1e-6)


def test_a_taxon_with_a_growth_line_of_its_own_is_held_to_it(study):
    """What the step before found of slopes is passed on."""
    results = study.results()
    notes, before = results.notes("place"), results.table("displacements")
    try:
        results.write_notes("place", notes | {"own_slopes": ["ash"]})
        run(study, "differ")
        after = results.table("displacements")
    finally:
        results.write_notes("place", notes)
        run(study, "differ")
    goal = expected_at_its_size(study, "find 1", "ash", own=True)
    found = part(after, "find 1", "ash", True).set_index("landmark").loc[goal.index]
    np.testing.assert_allclose(found[["x", "y", "z"]], goal, rtol=1e-6, atol=1e-6)
    other = part(before, "find 1", "ash", True).set_index("landmark").loc[goal.index]
    assert np.abs(found[["x", "y", "z"]] - other[["x", "y", "z"]]).to_numpy().max() > 1e-3
    pd.testing.assert_frame_equal(
        part(before, "find 1", "ash", False), part(after, "find 1", "ash", False)
    )
    pd.testing.assert_frame_equal(before, results.table("displacements"))


def test_estimated_landmarks_are_flagged_on_that_bone_only(study):
    table = study.results().table("displacements")
    told = table[table["estimated"]]
    lost = {"point_3", "rim.1", "rim.2"}  # a curve without an end is lost with it
    assert set(zip(told["specimen"], told["landmark"], strict=True)) == {("lost", p) for p in lost}


def raw(study):
    """Landmarks as digitised, by specimen."""
    return {
        name: dict(zip(LANDMARKS, shape[:8], strict=True))
        for name, shape in zip(study.names, study.shapes["bone"], strict=True)
    }


def by_hand(bone, points):
    def length(a, b):
        return np.linalg.norm(bone[a] - bone[b])

    if len(points) == 2:
        return length(*points)
    if len(points) == 4:
        return length(*points[:2]) / length(*points[2:])
    a, b = bone[points[0]] - bone[points[1]], bone[points[2]] - bone[points[1]]
    return np.degrees(np.arccos(a @ b / np.linalg.norm(a) / np.linalg.norm(b)))


def test_named_measurements_come_with_their_names(study):
    """Whatever these are, with a value for every specimen that has the landmarks."""
    table = study.results().table("measurements")
    bones = raw(study)
    kinds = {2: ("distance", "mm"), 3: ("angle", "degrees"), 4: ("ratio", "ratio")}
    taxa = {row["specimen"]: row["taxon"] for row in study.rows}
    for name, points in NAMED.items():
        rows = table[table["measurement"] == name]
        assert sorted(rows["specimen"]) == sorted(study.names)
        assert set(zip(rows["kind"], rows["unit"], strict=True)) == {kinds[len(points)]}
        for row in rows.to_dict("records"):
            expected = by_hand(bones[row["specimen"]], points)
            assert row["value"] == pytest.approx(expected, rel=1e-7, nan_ok=True)
            assert row["taxon"] == taxa[row["specimen"]]
            assert row["role"] == ("query" if row["specimen"] in QUERIES else "known")
    assert table.loc[table["value"].isna(), "specimen"].isin(["lost", "ash 3"]).all()
    assert table["value"].isna().any()


def test_nothing_is_measured_twice(study):
    """A distance or ratio that the scheme names does not come again by its landmarks."""
    names = set(study.results().table("measurement_summary")["measurement"])
    pairs = {f"{a} to {b}" for a, b in combinations(LANDMARKS, 2)}
    distances = (pairs - {"point_1 to point_2", "point_3 to point_7"}) | {"taxon", "value"}
    standard = "point_1 to point_2"
    ratios = {f"{pair} by {standard}" for pair in pairs - {standard, "point_5 to point_6"}}
    # the ratio left out is the one called role
    assert names == distances | ratios | {"specimen", "role"}
    ranking = study.results().table("measurement_ranking")
    for _, rows in ranking.groupby(["specimen", "size_heeded", "kind"]):
        assert rows["rank"].tolist() == list(range(1, len(rows) + 1))
        assert rows["measurement"].is_unique


def all_values(study):
    """Every distance as digitised; a row for each specimen."""
    rows = {
        name: {f"{a} to {b}": np.linalg.norm(bone[a] - bone[b])
               for a, b in combinations(LANDMARKS, 2)}
        for name, bone in raw(study).items()
    }  # fmt: skip
    values = pd.DataFrame.from_dict(rows, orient="index").rename(
        columns={"point_1 to point_2": "taxon", "point_3 to point_7": "value"}
    )
    return values


def test_the_summary_is_that_of_a_groupby(study):
    """Number, range, mean and deviation by pandas; a specimen without a landmark not counted."""
    values = all_values(study)
    taxa = pd.Series({row["specimen"]: row["taxon"] for row in study.rows})
    known = values[taxa != ""]
    expected = known.groupby(taxa[taxa != ""]).agg(["count", "min", "max", "mean", "std"])
    table = study.results().table("measurement_summary")
    rows = table[table["kind"] == "distance"].set_index(["measurement", "taxon"])
    assert len(rows) == 28 * 3
    columns = ["specimens", "minimum", "maximum", "mean", "standard_deviation"]
    for (name, taxon), row in rows.iterrows():
        np.testing.assert_allclose(row[columns].astype(float), expected.loc[taxon, name], rtol=1e-7)
    assert rows.loc[("taxon", "ash"), "specimens"] == 7
    assert rows.loc[("value", "ash"), "specimens"] == 8


def test_ranges_beside_a_query_are_those_of_the_summary(study):
    """As it is; and where size is heeded, regressed on log size within taxa, by least squares."""
    values = all_values(study)
    results = study.results()
    ranges = results.table("measurement_ranges")
    distances = ranges[ranges["kind"] == "distance"]
    summary = results.table("measurement_summary").set_index(["measurement", "taxon"])
    log_size = results.table("centroid_size").set_index("specimen")["log_centroid_size"]
    taxa = pd.Series({row["specimen"]: row["taxon"] for row in study.rows})
    known = taxa.index[taxa != ""]
    D = np.array([[taxa[s] == t for t in ("ash", "birch", "cedar")] for s in known], dtype=float)
    seen = 0
    for row in distances.to_dict("records"):
        name, taxon = row["measurement"], row["taxon"]
        value = values.loc[row["specimen"], name]
        assert row["value"] == pytest.approx(value, rel=1e-7, nan_ok=True)
        if not row["size_heeded"]:
            of_taxon = summary.loc[(name, taxon)]
            for column in ("specimens", "minimum", "maximum", "mean", "standard_deviation"):
                assert row[column] == pytest.approx(of_taxon[column], rel=1e-7), column
            outside = not of_taxon["minimum"] <= value <= of_taxon["maximum"]
            compared = value == value and of_taxon["specimens"] > 0
            assert row["outside_range"] == (outside if compared else None)
            continue
        if values.loc[known, name].isna().any() or value != value:
            continue
        y = np.log(values.loc[known, name].to_numpy())
        x = log_size[known].to_numpy()
        slope = np.linalg.lstsq(np.column_stack([D, x]), y, rcond=None)[0][-1]
        at_size = y + slope * (log_size[row["specimen"]] - x)
        here = np.exp(at_size[(taxa[known] == taxon).to_numpy()])
        assert row["minimum"] == pytest.approx(here.min(), rel=1e-6)
        assert row["maximum"] == pytest.approx(here.max(), rel=1e-6)
        assert row["standard_deviation_unit"] == "logarithm"
        seen += 1
    assert seen > 20


def test_what_the_figures_may_draw_has_its_values(invent):
    """As many of a ranking as the schema lets figures ask for; of the others no single values."""
    schema = study_schema()["properties"]["figures"]["properties"]["measurements"]
    study = invent(landmarks=12)
    run(study)
    results = study.results()
    ranking = results.table("measurement_ranking")
    best = set(ranking.loc[ranking["rank"] <= schema["maximum"], "measurement"])
    assert 12 * 11 / 2 > len(best) >= schema["maximum"]
    assert set(results.table("measurements")["measurement"]) == best
    assert set(results.table("measurement_ranges")["measurement"]) == best


def test_regions_hold_the_curves_between_their_landmarks(study):
    """edge runs within the head; rim from head to foot, which is in neither."""
    moved = study.results().table("displacements")
    table = study.results().table("region_displacements")
    regions = {
        "head": {"point_1", "point_2", "point_6", "edge.1", "edge.2", "edge.3"},
        "foot": {"point_3", "point_4"},
        "in no region": {"point_5", "point_7", "point_8", "rim.1", "rim.2"},
    }
    assert len(table) == 3 * 2 * 3
    for row in table.to_dict("records"):
        rows = part(moved, row["specimen"], row["taxon"], row["size_heeded"])
        here = rows[rows["landmark"].isin(regions[row["region"]])]["displacement_mm"]
        assert row["points"] == len(here) == len(regions[row["region"]])
        assert row["root_mean_square_mm"] == pytest.approx(np.sqrt((here**2).mean()), rel=1e-6)
        share = (here**2).sum() / (rows["displacement_mm"] ** 2).sum()
        assert row["share_of_displacement"] == pytest.approx(share, rel=1e-6)
    find = part(table, "find 1", "ash", False)
    assert find.iloc[0]["region"] == "head"


def test_all_taxa_where_they_are_asked_for(study):
    """The nearest first and as before, then every other one."""
    results = study.results()
    tables = ("displacements", "fits", "region_displacements")
    before = {name: results.table(name) for name in tables}
    study.study["differences"] = {"against": "all"}
    study.write()
    try:
        run(study, "differ")
        after = {name: results.table(name) for name in tables}
    finally:
        del study.study["differences"]
        study.write()
        run(study, "differ")
    nearest = results.table("verdicts").set_index("specimen")["nearest_taxon"]
    for name in tables:
        own = after[name][after[name]["taxon"] == after[name]["specimen"].map(nearest)]
        pd.testing.assert_frame_equal(own.reset_index(drop=True), before[name])
        order = after[name].drop_duplicates(["specimen", "taxon"]).groupby("specimen")["taxon"]
        for specimen, taxa in order:
            assert taxa.iloc[0] == nearest[specimen]
            assert sorted(taxa) == ["ash", "birch", "cedar"]


def test_two_runs_write_the_same_bytes(study):
    folder = study.results().folder
    paths = [folder / "tables" / f"{name}.csv" for name in WRITTEN]
    paths.append(folder / "notes" / "differ.json")
    before = [path.read_bytes() for path in paths]
    run(study, "differ")
    assert [path.read_bytes() for path in paths] == before


EDGES = {
    "no query": {"queries": {}},
    "one taxon": {"taxa": {"ash": 8}},
    "no modules, a taxon of one": {"taxa": {"ash": 6, "birch": 1, "cedar": 5}},
    "only taxa of one": {"taxa": {"ash": 1, "birch": 1, "cedar": 1, "dogwood": 1}},
    "sizes all equal": {"same_size": True},
    "a query set aside": {"lost": 4},
}


@pytest.mark.parametrize("name", EDGES)
def test_at_the_edge_there_are_tables_without_rows(name, invent):
    """No traceback and no warning."""
    choices = dict(EDGES[name])
    lost = choices.pop("lost", 0)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        study = invent(**choices)
        study.shapes["bone"][-1, :lost] = np.nan
        study.write()
        run(study)
    results = study.results()
    tables = {table: results.table(table) for table in WRITTEN}
    judged = name not in ("no query", "only taxa of one", "a query set aside")
    assert tables["region_displacements"].empty
    for table in ("displacements", "fits", "measurement_ranking", "measurement_ranges"):
        assert tables[table].empty != judged, table
    assert len(tables["measurement_summary"]) > 0
    trouble = results.notes("differ")["trouble"]
    if name == "sizes all equal":
        assert set(tables["displacements"]["size_heeded"]) == {False}
        assert all(row["code"] == "one_size" and row["size_heeded"] for row in trouble)
        told = {(row["part"], row.get("specimen"), row.get("taxon")) for row in trouble}
        assert {("differences", "find 1", "ash"), ("distances", None, None)} <= told
    else:
        assert trouble == []
    if "taxon of one" in name:
        ranges = tables["measurement_ranges"]
        alone = ranges[ranges["taxon"] == "birch"]
        assert (alone["specimens"] == 1).all()
        assert alone["standard_deviation"].isna().all()
        assert set(tables["measurement_ranking"]["taxa_compared"]) == {2}


def test_estimated_points_say_why(study):
    """Planted: a curve that lost an end is estimated as a whole, and the table says so."""
    table = pd.read_csv(study.results().folder / "tables" / "estimated_points.csv")
    table = table.fillna({"missing_ends": ""})
    told = {(row.specimen, row.point): (row.cause, row.missing_ends) for row in table.itertuples()}
    rim, edge = (("no_curve_end", f"point_{i}") for i in (3, 1))
    assert told == {
        ("lost", "point_3"): ("missing", ""),
        ("lost", "rim.1"): rim,
        ("lost", "rim.2"): rim,
        ("ash 3", "point_1"): ("missing", ""),
        ("ash 3", "edge.1"): edge,
        ("ash 3", "edge.2"): edge,
        ("ash 3", "edge.3"): edge,
    }


PAIRS = [["point_4", "point_5"], ["point_6", "point_7"]]
MIDLINE = ["point_1", "point_2", "point_3", "point_8"]


def made_symmetric(invent, **settings):
    """Two pairs and four landmarks on the midline, x from right to left, y up, z to the front."""
    study = invent({"ash": 8, "birch": 8}, {"find 1": "ash"}, landmarks=8, settings=settings)
    shapes = study.shapes["bone"]
    shapes[:, :, 0] = np.abs(shapes[:, :, 0])
    noise = 0.1 * np.random.default_rng(4).normal(size=shapes.shape)
    for left, right in ((3, 4), (5, 6)):
        shapes[:, right] = shapes[:, left] * [-1, 1, 1]
    shapes[:, [0, 1, 2, 7], 0] = 0
    shapes[:, :3, 1:] += [[-9, 0], [9, 0], [0, 9]]
    # of the query: point_4 and its mirror image 3 mm out, point_2 2.5 mm up
    shapes[-1, 3, 0] += 3
    shapes[-1, 4, 0] -= 3
    shapes[-1, 1, 1] += 2.5
    study.shapes["bone"] = shapes + noise
    study.scheme |= {
        "symmetry": "object", "pairs": PAIRS, "midline": MIDLINE,
        "modules": {"left": ["point_4", "point_6"], "right": ["point_5", "point_7"]},
        "measurements": [
            {"name": "right_one", "points": ["point_5", "point_1"]},
            {"name": "left_one", "points": ["point_4", "point_1"]},
        ],
        "axes": {
            "x": {"towards": "left side", "from": "point_5", "to": "point_4"},
            "y": {"towards": "top", "from": "point_1", "to": "point_2"},
            "z": {"towards": "front"},
        },
    }  # fmt: skip
    study.write()
    run(study)
    return study


def test_a_symmetric_bone_is_told_tested_and_counted_once(invent):
    study = made_symmetric(invent)
    results = study.results()
    assert results.notes("superimpose")["symmetric"] is True
    moved = part(results.table("displacements"), "find 1", "ash", False).set_index("landmark")
    assert moved.index[~moved["counted"]].tolist() in (
        ["point_5", "point_7"], ["point_7", "point_5"],
    )  # fmt: skip
    assert moved["other_side"].to_dict() == {
        **dict.fromkeys(MIDLINE, ""),
        **{a: b for pair in PAIRS for a, b in (pair, pair[::-1])},
    }
    once = moved[moved["counted"]]
    assert once["rank"].tolist() == [1, 2, 3, 4, 5, 6]
    expected = false_discovery(once["p_value"])
    np.testing.assert_allclose(once["p_value_false_discovery"], expected, rtol=1e-7)
    for left, right in PAIRS:
        for column in ("rank", "p_value_false_discovery", "direction"):
            assert moved.loc[left, column] == moved.loc[right, column]
    # directions of what was planted, the same for both sides
    assert moved.loc["point_5", "direction"].endswith("mm further out")
    assert moved.loc["point_2", "direction"].endswith("mm higher")
    parts = results.table("region_displacements")
    assert set(parts["region"]) == {"left, right", "in no region"}
    assert parts.set_index("region")["points"].to_dict() == {"left, right": 2, "in no region": 4}
    ranking = results.table("measurement_ranking")
    first = ranking[(ranking["kind"] == "distance") & ~ranking["size_heeded"]]
    # of 28 distances, 6 on the midline and 2 across are their own images: 8 + 20 / 2
    assert len(first) == 8 + 10
    assert "left_one" not in set(first["measurement"])
    mirrored = {"part": "", "measurement": "left_one", "code": "mirrors_another"}
    assert mirrored in results.notes("differ")["trouble"]
    expected = false_discovery(first["p_value"])
    np.testing.assert_allclose(first["p_value_false_discovery"], expected, rtol=1e-7)
    values = results.table("measurements").set_index(["measurement", "specimen"])
    bones = raw(study)
    for name in ("find 1", "birch 3"):
        both = [by_hand(bones[name], [side, "point_1"]) for side in ("point_4", "point_5")]
        assert values.loc[("right_one", name), "value"] == pytest.approx(np.mean(both), rel=1e-7)
    assert values.loc[("right_one", "find 1"), "other_side"] == "point_4 to point_1"
    across = first.set_index("measurement").loc["point_4 to point_5"]
    assert across["direction"] == "wider"
    assert across["difference"] > 4


def test_sides_that_are_analysed_as_they_are_count_as_two(invent):
    """Not made symmetric, left and right are two observations."""
    study = made_symmetric(invent, preparation={"symmetry": "as_is"})
    results = study.results()
    assert results.notes("superimpose")["symmetric"] is False
    moved = results.table("displacements")
    assert moved["counted"].all()
    assert (moved["other_side"] == "").all()
    ranking = results.table("measurement_ranking")
    assert len(ranking[(ranking["kind"] == "distance") & ~ranking["size_heeded"]]) == 28


@pytest.mark.parametrize("kept", ["left", "right"])
def test_directions_are_right_for_the_side_that_the_bones_were_brought_to(invent, kept):
    """A landmark moved outwards is told outwards, whichever side is mirrored to which.

    The frame is right-handed: with x to the front and y up, z leads outwards on a right bone and
    inwards on a left one.
    """
    study = invent(
        {"ash": 8, "birch": 8}, {"find 1": "ash"}, landmarks=8, side="right",
        settings={"preparation": {"mirror_to": kept}},
    )  # fmt: skip
    shapes = study.shapes["bone"]
    shapes[:, :4] += [[-20, 0, 0], [20, 0, 0], [0, -15, 0], [0, 15, 0]]
    shapes[:, 4, 2], shapes[:, 5, 2] = -9, 9  # the inner and the outer face
    shapes[-1, 6, 2] += 4
    study.scheme |= {
        "symmetry": "matching",
        "axes": {
            "x": {"towards": "front", "from": "point_1", "to": "point_2"},
            "y": {"towards": "top", "from": "point_3", "to": "point_4"},
            "z": {"towards": "outer side", "from": "point_5", "to": "point_6"},
        },
    }
    study.write()
    run(study)
    results = study.results()
    outer = results.notes("superimpose")["towards"][2]
    assert outer == {"right": "outer side", "left": "inner side"}[kept]
    moved = results.table("displacements")
    moved = moved[~moved["size_heeded"]].set_index("landmark")
    assert "mm further out" in moved.loc["point_7", "direction"]
    frame = results.table("fits")["frame"].iloc[0]
    mirrored = ", to which this one was mirrored" if kept == "left" else ""
    assert frame == f"x: front; y: top; z: {outer}; as on a {kept} bone{mirrored}"


def test_members_at_the_size_of_a_query_are_those_of_its_ranges(study):
    """Every known specimen that has the measurement, within the range that the table tells."""
    results = study.results()
    table = results.table("measurements_at_size")
    ranges = results.table("measurement_ranges")
    ends = ranges[ranges["size_heeded"]].set_index(["specimen", "measurement", "taxon"])
    assert set(table["specimen"]) == set(QUERIES)
    seen = 0
    for key, rows in table.groupby(["specimen", "measurement", "taxon"]):
        assert len(rows) == sum(row["taxon"] == key[2] for row in study.rows)
        assert rows["value"].min() == pytest.approx(ends.loc[key, "minimum"], rel=1e-7)
        assert rows["value"].max() == pytest.approx(ends.loc[key, "maximum"], rel=1e-7)
        seen += 1
    assert seen > 100
