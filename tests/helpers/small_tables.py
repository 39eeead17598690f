"""Tables of one invented element, written by hand so that each number is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from morpho.report.words.verdict import Told, told_of_queries
from morpho.results.analysed import Analysed
from morpho.study.settings.blocks import Settings

__all__ = ["HOSTILE", "differing", "element", "joined", "settings"]

HOSTILE = ("<img src=x onerror=alert(1)>", "=cmd()", "</script>", "+1", "-2+3", "@x", "a|b_c&d")


def settings(**blocks: Any) -> Settings:
    """Settings with their defaults."""
    data = {
        "title": "Kin",
        "seed": 731,
        "specimens": {"file": "specimens.csv"},
        "landmarks": {"files": "landmarks/*.csv"},
        "elements": {"bone": {"scheme": "bone.yaml"}},
    }
    return Settings.of(data | blocks)


def _specimens(names: list[str]) -> pd.DataFrame:
    taxa = ["ash"] * 4 + ["oak"] * 5
    known = [f"{taxon} {letter}" for taxon, letter in zip(taxa, "abcdefghi", strict=True)]
    table = pd.DataFrame({"specimen": [*known, *names], "taxon": [*taxa, *[""] * len(names)]})
    table["role"] = ["known"] * 9 + ["query"] * len(names)
    table["side"], table["stage"] = "", "adult"
    table["digitisations"] = [2, 2, 2] + [1] * (len(table) - 3)
    table["mirrored"] = [True] + [False] * (len(table) - 1)
    table["landmarks_present"] = 7
    table["missing_landmarks"] = ""
    table["used"] = [False, *[True] * (len(table) - 1)]
    table["set_aside"] = ["too_little", *[""] * (len(table) - 1)]
    table["missing_points"] = ""
    return table


def _anova(sources: list[str], p: list[float]) -> pd.DataFrame:
    n = len(sources)
    return pd.DataFrame(
        {
            "source": sources,
            "sum_of_squares": [0.61 + i for i in range(n)],
            "degrees_of_freedom": [11 + i for i in range(n)],
            "mean_square": [0.071 + i for i in range(n)],
            "f_ratio": [9.13 + i for i in range(n)],
            "p_value": p,
            "share_of_variance": [0.917 / (i + 1) for i in range(n)],
        }
    )


def _terms(names: list[str], p: list[float]) -> pd.DataFrame:
    table = _anova(names, p).rename(columns={"source": "term"})
    table["effect_size"], table["permutations"] = 3.37, 499
    return table


def differing(queries: tuple[str, ...] = ("find",), landmarks: str = "pq") -> dict[str, Any]:
    """Tables on where queries differ; of each query the same."""
    nan = float("nan")
    moved, fits, parts, ranking, measured = [], [], [], [], []
    for query in queries:
        for heeded, shift in ((False, 0.0), (True, 0.003)):
            key = {"specimen": query, "taxon": "oak", "size_heeded": heeded}
            for rank, (landmark, kind, mm, sd, p) in enumerate(
                (
                    (landmarks[0], "landmark", 1.2371, 4.1417, 0.0119),
                    ("edge.1", "curve", 0.9173, 3.9331, 0.0133),
                    (landmarks[1], "landmark", 0.4419, 1.5713, 0.3917),
                ),
                start=1,
            ):
                moved.append(
                    key
                    | {
                        "rank": rank, "landmark": landmark, "kind": kind,
                        "definition": "Tip of the spine." if rank == 1 else "",
                        "other_side": "", "counted": True,
                        "direction": f"{mm + shift:.3g} mm higher" if rank == 1 else "",
                        "estimated": rank == 3, "displacement_mm": mm + shift,
                        "in_taxon_sd": sd + shift, "p_value": p / 2,
                        "p_value_false_discovery": p, "rank_p_value": 0.1667,
                        "resistant_displacement_mm": mm + 0.0517,
                        "resistant_in_taxon_sd": sd + 0.0713, "fits_differ": rank == 3,
                    }
                )  # fmt: skip
            fits.append(
                key
                | {"fits_rank_correlation": 0.9137 - shift, "share_of_fits_differing": 0.1433}
                | {"frame": "x: front; y: top; z: outer side; as on a right bone"}
            )
            for region, share, expected, p in (
                ("front_part", 0.6333, 0.4177, 0.0371), ("in no region", 0.3667, 0.5823, 0.4711),
            ):  # fmt: skip
                parts.append(
                    key
                    | {
                        "region": region, "points": 4, "root_mean_square_mm": 0.5171,
                        "share_of_displacement": share, "share_expected": expected,
                        "share_p_value_false_discovery": p,
                        "distance_p_value_false_discovery": 0.0447,
                    }
                )  # fmt: skip
            for rank, (name, kind, value, outside, sd, p) in enumerate(
                (
                    ("p to q", "distance", 7.1331, True, -3.2719, 0.0217),
                    ("long_side", "distance", 5.9117, True, 2.8473, 0.0731),
                    ("p to r", "distance", 4.6779, False, 1.1197, 0.8113),
                    ("steepness", "angle", 61.777, True, 2.2223, 0.0677),
                ),
                start=1,
            ):
                ranking.append(
                    {
                        "specimen": query, "size_heeded": heeded, "kind": kind, "rank": rank,
                        "measurement": name, "unit": "mm" if kind == "distance" else "degrees",
                        "other_side": "",
                        "value": value, "taxa_compared": 2, "taxa_outside": 2 * outside,
                        "outside_every_taxon": outside, "nearest_taxon": "ash",
                        "beside_ranges": ("below all" if sd < 0 else "above all") * outside,
                        "nearest_mean": value - sd / 7, "difference": sd / 7,
                        "difference_percent": 100 * sd / 7 / (value - sd / 7),
                        "direction": "shorter" if sd < 0 else "longer",
                        "standardised_difference": sd, "p_value": p / 3,
                        "p_value_false_discovery": p,
                    }
                )  # fmt: skip
        for row in ranking[-4:]:
            measured.append(
                {"specimen": query, "taxon": "", "role": "query"}
                | {name: row[name] for name in ("measurement", "kind", "unit", "value")}
            )
    names = {row["measurement"]: row for row in ranking}
    summary = [
        {
            "measurement": name, "kind": names[name]["kind"], "unit": names[name]["unit"],
            "taxon": taxon, "specimens": n, "minimum": 2.111 + n, "maximum": 3.222 + n,
            "mean": 2.717 + n, "standard_deviation": 0.1313 + i,
        }
        for i, name in enumerate(("steepness", "long_side", "p to q", "p to r"))
        if name in names
        for taxon, n in (("ash", 3), ("oak", 5))
    ]  # fmt: skip
    meshes = [
        {
            "file": file, "form": form, "specimen": specimen, "taxon": "", "template": template,
            "centroid_size_mm": 21.7, "faces": 6607, "share_folded": folded, "watertight": True,
            "holes_closed": holes, "holes_left": 0, "volume_mm3": 83.71,
            "hole_lengths_mm": "", "hole_reasons": "", "remark": "",
            "folds": folded > 0, "crowded_edges": 0,
        }
        for file, form, specimen, template, folded, holes in (
            ("mean", "mean of the known specimens", "", "oak c", 0.0, 0),
            ("axis_1_low", "low end of axis 1", "", "oak c", 0.0, 0),
            ("smallest_form", "size of the smallest known specimen, by growth within taxa", "",
             "oak c", 0.0119, 0),
            *[(f"{i}_heat", "heat", query, "", nan, 37) for i, query in enumerate(queries)],
            *[(f"{i}_completed", "completed", q, "oak c", 0.0, 0) for i, q in enumerate(queries)],
        )
    ]  # fmt: skip
    return {
        "displacements": pd.DataFrame(moved),
        "fits": pd.DataFrame(fits),
        "region_displacements": pd.DataFrame(parts),
        "measurement_ranking": pd.DataFrame(ranking),
        "measurement_summary": pd.DataFrame(summary),
        "measurements": pd.DataFrame(measured),
        "meshes": pd.DataFrame(meshes),
        "rarefaction": pd.DataFrame(
            {"taxon": ["oak", "oak"], "specimens": [2, 3], "mean_error": [0.0311, nan],
             "mean_error_expected": [0.0312, 0.0271], "variance_error": [0.4, nan]}
        ),
        "adequacy": pd.DataFrame(
            {"taxon": ["ash", "oak"], "specimens": [3, 5], "rank_floor": [0.25, 0.1667],
             "rank_can_decide": [False, True], "specimens_for_rank": [19, 19],
             "mean_error": [0.04317, 0.02713], "nearest_distance": [0.0871, 0.0871]}
        ),
        "specimens_to_decide": pd.DataFrame(
            {"specimen": queries[0], "taxon": "oak", "added": [0, 6, 18],
             "taxon_specimens": [5, 11, 23], "simulations": [1, 43, 43], "outside": [1, 0.9, 0.8],
             "inside": [0, 0.1, 0.2], "undecided": [0.0, 0.0, 0.0]}
        ),
    }  # fmt: skip


def joined(query: str = "find") -> dict[str, pd.DataFrame]:
    """Tables of several elements of one individual."""
    return {
        "individuals": pd.DataFrame(
            {"specimen": [query, "lone"], "elements": [2, 1], "verdict": ["outside", "inside"],
             "verdicts_of_elements": ["bone: outside; rib: outside", "bone: inside"],
             "taxon": ["oak", "ash"], "combined_p_value": [0.00347, 0.7313]}
        ),
        "proportions": pd.DataFrame(
            {"specimen": query, "first": "bone", "second": "upper_rib", "taxon": ["ash", "oak"],
             "taxon_specimens": [3, 5], "ratio_minimum": [2.117, 2.713],
             "ratio_maximum": [2.339, 2.931], "ratio_mean": [2.227, 2.829], "query_ratio": 2.877,
             "standardised_difference": [3.773, -0.4477], "p_value": [0.0127, 0.6153],
             "p_value_false_discovery": [0.0133, 0.6271], "outside_range": [True, False]}
        ),
    }  # fmt: skip


def element(queries: tuple[str, ...] = ("find",), name: str = "bone") -> Analysed:
    """An element with every table that words are made from.

    Its numbers are such that no two of them read alike.
    """
    nan = float("nan")
    names = list(queries)
    first = names[0]
    rows = [
        {
            "specimen": query,
            "verdict": "outside" if query == first else "undecided",
            "verdict_as_it_is": "outside" if query == first else "inside",
            "verdict_size_heeded": "outside",
            "ground": "all_reject",
            "taxon": "oak",
            "taxa_not_rejected": "",
            "nearest_taxon": "oak",
            "p_value_as_it_is": 0.0113,
            "p_value_size_heeded": 0.0227,
            "beyond_sizes_of": "",
            "imputations": 0,
            "imputations_outside": 0,
            "imputations_inside": 0,
            "imputations_undecided": 0,
            "within_error": False,
            "strangeness": 1.7731,
            "known_as_strange": 0,
            "known_ranked": 8,
            "by_ranks": False,
        }
        for query in names
    ]
    membership = pd.DataFrame(
        [
            {
                "specimen": query, "size_heeded": heeded, "taxon": taxon, "taxon_specimens": n,
                "procrustes_distance": d, "comparable_distance": 0.97 * d,
                "mahalanobis_distance": m, "landmark_distance": k, "relative_distance": r,
                "p_value": 0.0113, "posterior_probability": 0.97, "beyond_sizes": False,
                "within_error": False,
            }
            for query in names
            for heeded, shift in ((False, 0.0), (True, 0.01))
            for taxon, n, d, m, k, r in (
                ("ash", 3, 0.341 + shift, 9.241, 4.387, 2.3317 + shift),
                ("oak", 5, 0.213 + shift, 6.617, 3.119, 1.7731 + shift),
            )
        ]
    )  # fmt: skip
    tables = differing(queries) | {
        "specimens": _specimens(names),
        "landmarks": pd.DataFrame(
            {"landmark": list("pqrstuv"), "type": 1, "definition": "", "used": [True] * 6 + [False]}
        ),
        "mean_shape": pd.DataFrame(
            {"landmark": [*"pqrstu", "edge.1"], "kind": ["landmark"] * 6 + ["curve"],
             "x": 0.1, "y": 0.2, "z": 0.3}
        ),
        "estimated_points": pd.DataFrame(
            {"specimen": ["oak e"], "point": ["p"], "kind": ["landmark"],
             "estimated_by": ["other specimens"], "cause": ["missing"], "missing_ends": [""],
             "x": 1.0, "y": 2.0, "z": 3.0, "spread_mm": 0.17}
        ),
        "distortion": pd.DataFrame(
            {"specimen": ["oak f"], "shear": [0.03], "asymmetry_before": [0.02],
             "asymmetry_sheared": [0.01], "procrustes_distance": [0.013]}
        ),
        "variance_per_axis": pd.DataFrame(
            {"axis": [1, 2, 3], "variance": [0.3, 0.2, 0.1],
             "share_of_variance": [0.4791, 0.2837, 0.0913],
             "cumulative_share": [0.4791, 0.7628, 0.8541], "share_expected": nan,
             "retained": [True, True, False]}
        ),
        "model_terms": _terms(["size", "taxon", "residual", "total"], [0.0431, 0.317, nan, nan]),
        "slopes": _terms(["size", "taxon", "size by taxon", "residual"], [0.01, 0.01, 0.613, nan]),
        "pairwise_distances": pd.DataFrame(
            {"size_heeded": [False, False, True], "first": ["ash", "ash", "ash"],
             "second": ["oak", "elm", "oak"], "first_specimens": 3, "second_specimens": 5,
             "distance": [0.0871, 0.0619, 0.0741], "p_value": [0.012, 0.4, 0.021],
             "p_value_holm": [0.0242, 0.4019, 0.0213], "permutations": 499,
             "within_error": False}
        ),
        "group_criteria": pd.DataFrame(
            {"size_heeded": [False], "term": ["taxon"], "criterion": ["Wilks"], "value": [0.1234],
             "effect_size": [2.5], "p_value": [0.004], "permutations": [499]}
        ),
        "accuracy": pd.DataFrame(
            {"size_heeded": [False], "specimens": [8], "correct": [7], "share_correct": [0.875],
             "chance_corrected": [0.7419]}
        ),
        "digitising_error": _anova(["specimen", "error", "total"], [0.0002, nan, nan]),
        "asymmetry": _anova(["side", "individual by side", "error"], [0.0337, 0.2719, nan]),
        "membership": membership,
        "verdicts": pd.DataFrame(rows),
        "grounds": pd.DataFrame(
            {"specimen": np.repeat(names, 2), "size_heeded": [False, True] * len(names),
             "verdict": "outside", "ground": "all_reject", "taxon": "oak", "p_value": 0.0113}
        ),
        "grounds_by_taxon": pd.DataFrame(
            {"specimen": names, "size_heeded": True, "taxon": "oak", "bearing": "keeps"}
        ),
        "stability": pd.DataFrame(
            {"specimen": first, "choice": "digitising error",
             "setting": [f"draw {i}" for i in range(19)],
             "turns": [False, True, True] + [False] * 16}
        ),
        "calibration": pd.DataFrame(
            {"left_out": ["specimen", "specimen", "taxon"], "specimen": ["ash b", "oak f", "oak f"],
             "verdict": ["inside", "outside", "outside"]}
        ),
        "noticing": pd.DataFrame(
            {"difference": [0.0883], "stated": False, "nearest_taxa": "ash; oak", "power": 0.8371,
             "power_low": 0.5117, "power_high": 0.9677, "smallest": 0.0813}
        ),
        "noticing_landmarks": pd.DataFrame(
            {"landmark": ["p", "q", "r"], "smallest_mm": [0.7133, 0.3917, 0.5519]}
        ),
        "specimen_error": pd.DataFrame(
            {"specimen": ["ash b", *names], "digitisations": 1, "error_mm": 0.0577,
             "told_by": ["itself", *["group"] * len(names)]}
        ),
        "calibration_summary": pd.DataFrame(
            {"left_out": ["specimen"] * 3 + ["taxon"] * 3, "taxon": ["ash", "oak", "all taxa"] * 2,
             "specimens": [3, 5, 8, 4, 5, 9], "outside": [0, 1, 1, 2, 4, 6],
             "inside": [3, 2, 5, 2, 0, 2], "undecided": [0, 2, 2, 0, 1, 1],
             "share_outside": [0.0, 0.2, 0.125, 0.5, 0.8, 0.667],
             "interval_low": [0.0, 0.0051, 0.0213, 0.0676, 0.2836, nan],
             "interval_high": [0.7076, 0.7164, 0.5265, 0.9324, 0.9949, nan],
             "own_taxon_rejects": [0, 1, 1, 0, 0, 0]}
        ),
        "stability_summary": pd.DataFrame(
            {"specimen": [first], "choice": ["digitising error"], "settings": [19], "holds": [17],
             "share_holds": [0.8947], "outside": [17], "inside": [2], "undecided": [0],
             "turning_settings": ["draw 1; draw 2"]}
        ),
    }  # fmt: skip
    notes = {
        "differ": {"trouble": []},
        "prepare": {"side": "right", "description": "", "symmetry": "object", "curves": ["edge"],
                    "curves_left_out": [], "patches": [], "missing": {"smallest_share": 0.75}},
        "slide": {"curves": ["edge"], "patches": [], "patches_left_out": [], "passes": 13,
                  "converged": True, "imputations": 23, "method": "regression", "outline": []},
        "superimpose": {"passes": 17, "converged": True, "symmetric": True, "towards": []},
        "ordinate": {"axes_retained": 2, "rule": "share", "share": 0.7628},
        "screen": {"screened": 29, "trouble": []},
        "measure": {"repeatability": 0.8153, "repeatability_low": 0.6917,
                    "repeatability_high": 0.9019, "error_distance": 0.01723,
                    "observer_p_value": 0.0593, "trouble": []},
        "grow": {"slopes_p_value": 0.613, "slope_length": 0.4, "left_out": {}, "trouble": []},
        "compare": {"left_out": {}, "trouble": []},
        "discriminate": {"left_out": {}, "trouble": [], "axes_in_folds": {}},
        "place": {"shrinkage": {"as it is": 0.2713, "size heeded": 0.2917}, "trouble": []},
    }  # fmt: skip
    return Analysed(name, tables, notes)


def told(element: Analysed) -> dict[str, Told]:
    """Words on its queries: with the shortest of all reasons, and no verdict taken back unless
    the element has conclusions."""
    empty = pd.DataFrame(columns=["specimen", "choice", "setting", "suspected", "turns", "taxon"])
    tables = {"suspicions": empty, "trajectories": empty} | element.tables
    verdicts = tables["verdicts"].assign(ground="no_model")
    tables |= {"verdicts": verdicts, "stability": tables["stability"].assign(suspected=False)}
    if "conclusions" not in tables:
        tables["conclusions"] = verdicts.assign(
            verdict_before=verdicts["verdict"],
            tempered_by="",
            choice="",
            rests_on="",
            left_out_specimens=0,
            left_out_members=0,
        )
    return told_of_queries(element.name, tables, element.notes)
