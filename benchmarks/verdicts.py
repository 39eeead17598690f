"""Level and power of the verdict on invented studies: ``python benchmarks/verdicts.py``.

What it prints is kept in verdicts.md. Studies are drawn from a seed of their own; the rule was
chosen on other seeds (`SEEDS`). Two parts: the test by itself on tangent coordinates, and the
whole procedure from configurations, with leaving out, every other choice and the conclusion.
"""

from __future__ import annotations

import argparse
import itertools
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.models.proportion import exact_interval
from morpho.inference.robustness.calibration import calibrate, calibration_summary
from morpho.inference.robustness.conclusion import conclude
from morpho.inference.robustness.noticing import noticing
from morpho.inference.robustness.reanalysis import Material, analyse, frame_of
from morpho.inference.robustness.stability import (
    Doubts,
    digitised_again,
    stability_summary,
    vary,
)
from morpho.shape.estimation.estimator import LandmarkEstimator

__all__ = ["KINDS", "PARTS", "SCENARIOS", "SEEDS", "Study", "in_tangent_space", "whole"]

Array = NDArray[np.float64]

SEEDS = {"choose": 8, "report": 2718}
RULES = Rules(0.05, 4, None, 1)
GRID = tuple(
    itertools.product((2, 3, 5), (4, 6, 10, 20), (8, 20, 60), ("round", "factors"), (False, True))
)
# What queries are: members, forms so many standard deviations within taxa (Mahalanobis) away in
# random directions or along the three major axes, one landmark moved by four of its own.
KINDS = ("member", "random 3", "random 6", "random 9", "major 4", "major 6", "landmark 4")
UNEQUAL = {2: (4, 40), 3: (4, 12, 40), 5: (4, 6, 10, 20, 40)}


@dataclass(frozen=True)
class Scenario:
    """How a study departs from normal taxa of one spread and one growth line."""

    heavy: bool = False
    wide: float = 1.0
    unequal: bool = False
    apart: float | None = None
    slopes: bool = False
    young: bool = False


SCENARIOS = {
    "normal": Scenario(),
    "taxa 3 SD apart": Scenario(apart=3.0),
    "tails of t(4), 20 SD apart": Scenario(heavy=True, apart=20.0),
    "one taxon twice as wide": Scenario(wide=2.0),
    "4 to 40 specimens": Scenario(unequal=True),
    "unequal growth": Scenario(slopes=True),
    "young queries": Scenario(young=True),
}


class Study:
    """Taxa in whitened space, turned and stretched into coordinates.

    Parameters
    ----------
    rng : numpy.random.Generator
    taxa, n, variables : int
    spread : {'round', 'factors'}
        All variables alike, or six factors that hold about half of the variance.
    growth : bool
    scenario : Scenario
    """

    def __init__(
        self,
        rng: np.random.Generator,
        taxa: int,
        n: int,
        variables: int,
        spread: str,
        growth: bool,
        scenario: Scenario,
    ) -> None:
        self.rng, self.taxa, self.scenario, self.growth = rng, taxa, scenario, growth
        self.variables = variables
        self.mix = np.eye(variables)
        if spread == "factors":
            lengths = np.ones(variables)
            lengths[:6] += np.array([20, 12, 8, 5, 3, 2]) * variables / 60
            self.mix = np.linalg.qr(rng.normal(size=(variables, variables)))[0] * np.sqrt(lengths)
        apart = scenario.apart or rng.uniform(3, 20)
        self.means = self.directions(taxa) * apart / np.sqrt(2)
        slope = self.directions(1) * 6
        self.slopes = np.repeat(slope, taxa, axis=0) * growth
        if scenario.slopes:
            self.slopes[1:] += self.directions(taxa - 1) * 4
        counts = UNEQUAL[taxa] if scenario.unequal else (n,) * taxa
        self.label = np.repeat(np.arange(taxa), counts)
        self.size = self.sizes(len(self.label))
        self.known = self.shapes(self.label, self.size)

    def directions(self, count: int) -> Array:
        """Random unit vectors."""
        found = self.rng.normal(size=(count, self.variables))
        return found / np.linalg.norm(found, axis=1, keepdims=True)

    def sizes(self, count: int, young: bool = False) -> Array:
        """Log sizes."""
        if young:
            return self.rng.uniform(-0.6, -0.4, count)
        return (
            self.rng.uniform(-0.5, 0.1, count) if self.growth else self.rng.normal(0, 0.05, count)
        )

    def shapes(self, label: NDArray[np.intp], size: Array, away: Array | float = 0.0) -> Array:
        """Members of taxa, moved in whitened space."""
        noise = self.rng.normal(size=(len(label), self.variables))
        if self.scenario.heavy:
            noise /= np.sqrt(self.rng.chisquare(4, size=(len(label), 1)) / 2)
        noise[label == 0] *= self.scenario.wide
        grown = self.means[label] + size[:, None] * self.slopes[label]
        return (grown + noise + away) @ self.mix.T

    def queries(self, kind: str, count: int) -> tuple[Array, Array, NDArray[np.intp]]:
        """Shapes, sizes and true taxa of queries."""
        label = self.rng.integers(0, self.taxa, count)
        size = self.sizes(count, self.scenario.young)
        name, _, length = kind.partition(" ")
        away: Array | float = 0.0
        if name == "random":
            away = self.directions(count) * float(length)
        elif name == "major":
            away = np.zeros((count, self.variables))
            part = self.rng.normal(size=(count, 3))
            away[:, :3] = part / np.linalg.norm(part, axis=1, keepdims=True) * float(length)
        shapes = self.shapes(label, size, away)
        if name == "landmark":
            for row in shapes:
                at = 3 * self.rng.integers(0, self.variables // 3) + np.arange(3)
                way = self.rng.normal(size=3)
                way /= np.linalg.norm(way)
                row[at] += float(length) * way * np.linalg.norm(way @ self.mix[at])
        return shapes, size, label


def _told(study: Study, kind: str, count: int) -> tuple[NDArray[Any], NDArray[np.intp]]:
    shapes, size, label = study.queries(kind, count)
    known = Shapes(study.known, study.size, study.label.astype(str), dimensions=3)
    found = judge(known, Shapes(shapes, size, label.astype(str)), RULES)
    return np.array([verdict.verdict for verdict in found.verdicts]), label


def in_tangent_space(
    scenario: str, studies: int, *, seed: int, grid: tuple = GRID, queries: int = 4
) -> dict[str, Any]:
    """Share told outside of each kind of query, pooled over the grid, and of members by cell.

    Parameters
    ----------
    scenario : str
        One of `SCENARIOS`.
    studies : int
        In each cell.
    seed : int
    grid : tuple
        Cells: numbers of taxa, specimens of each and landmarks, spread, growth.
    queries : int
        Of each kind in each study.

    Returns
    -------
    dict
    """
    told: dict[str, list[float]] = defaultdict(list)
    cells: dict[tuple, list[float]] = defaultdict(list)
    first = Counter[bool]()
    for number, (taxa, n, k, spread, growth) in enumerate(grid):
        if (SCENARIOS[scenario].slopes or SCENARIOS[scenario].young) and not growth:
            continue
        for study_number in range(studies):
            rng = np.random.default_rng(
                [seed, list(SCENARIOS).index(scenario), number, study_number]
            )
            variables = (3 * k - 7) // 3 * 3
            study = Study(rng, taxa, n, variables, spread, growth, SCENARIOS[scenario])
            few = " (few)" if len(study.label) < 19 else ""
            for kind in KINDS:
                verdicts, label = _told(study, kind, queries)
                outside = verdicts == "outside"
                told[kind + few].append(float(outside.mean()))
                if kind == "member":
                    cells[taxa, n, k, spread, growth].append(float(outside.mean()))
                    first.update((outside[label == 0]).tolist())
    worst = max(cells, key=lambda cell: float(np.mean(cells[cell])))
    shares = {kind: float(np.mean(each)) for kind, each in told.items()}
    of = sum(first.values())
    return {
        "shares": shares,
        "worst": (worst, float(np.mean(cells[worst])), len(cells[worst]) * queries),
        "first taxon": first[True] / of if of else np.nan,
    }


# The whole procedure


@dataclass(frozen=True)
class Bones:
    """Invented bones of taxa, in mm: a mean bone with smooth and local variation, and error."""

    taxa: int
    n: int
    k: int = 20
    error_mm: float = 0.03
    size_mm: float = 40.0
    missing: float = 0.0


def _bones(
    rng: np.random.Generator, plan: Bones, kind: str, queries: int
) -> tuple[Material, Array]:
    """Known specimens and queries of a kind, and the mean bone; queries move as `kind` says.

    ``young E`` and ``adult E`` are members digitised with E times the error of the known ones.
    """
    k = plan.k
    mean = rng.normal(size=(k, 3))
    mean *= plan.size_mm / np.linalg.norm(mean - mean.mean(axis=0))
    study = Study(rng, plan.taxa, plan.n, 3 * k, "factors", True, Scenario(apart=10.0))
    scale = 0.4 / np.sqrt(np.mean(study.mix**2) * 3 * k)
    name, _, length = kind.partition(" ")
    times = float(length) if name in ("young", "adult") else 1.0
    if name == "young":
        study.scenario = Scenario(apart=10.0, young=True)
    moved, size, label = study.queries(
        kind if name in ("random", "major", "landmark") else "member", queries
    )
    shapes = np.vstack([study.known, moved]).reshape(-1, k, 3) * scale
    sizes = np.exp(np.append(study.size, size))
    error = np.full((len(shapes), k), plan.error_mm)
    error[len(study.known) :] *= times
    X = (mean + shapes) * sizes[:, None, None]
    X += rng.normal(size=X.shape) * error[..., None] / np.sqrt(3)
    known = np.arange(len(X)) < len(study.known)
    taxon = np.append(study.label, label).astype(str)
    material = Material(X, taxon, known, error_mm=error, unmeasured=np.zeros(len(X), dtype=bool))
    if plan.missing:
        lost = rng.random((len(X), k)) < plan.missing
        lost[rng.permutation(len(X))[: len(X) // 2]] = False
        complete = known & ~lost.any(axis=1)
        estimator = LandmarkEstimator().fit(X[complete])
        X = estimator.transform(np.where(lost[..., None], np.nan, X))
        material = replace(material, coordinates=X)
    return material, mean


def _concluded(
    material: Material, rng: np.random.Generator, draws: int
) -> Iterator[dict[str, Any]]:
    """Verdict and conclusion of each query, and what each kind of choice by itself would do."""
    names = np.array([f"s{i}" for i in range(len(material.known))])
    summary = calibration_summary(calibrate(material, names, RULES), RULES.alpha)
    queries = ~material.known
    again = digitised_again(material.coordinates[queries], material.error_mm[queries], draws, rng)
    landmarks = {f"L{j}": j for j in range(material.coordinates.shape[1])}
    settings = vary(material, names, RULES, Doubts(landmarks=landmarks, again=again))
    stability = stability_summary(settings)
    frame = frame_of(material)
    power = noticing(material.shapes(frame, material.known), RULES, frame.mean, rng=rng).power
    base = analyse(material, RULES)
    for name, decision in zip(names[queries], base.verdicts, strict=True):
        rows = stability[stability["specimen"] == name]
        found = conclude(
            decision.verdict,
            summary,
            rows,
            settings[settings["specimen"] == name],
            power=power,
            alpha=RULES.alpha,
            smallest_share=0.8,
        )
        turned = dict(zip(rows["choice"], rows["share_holds"] < 0.8, strict=True))
        yield {"before": decision.verdict, "after": found.verdict, "by": found.tempered_by} | {
            "turned": {choice for choice, falls in turned.items() if falls}
        }


def whole(
    plans: tuple[Bones, ...], kinds: tuple[str, ...], studies: int, *, seed: int, queries: int = 4,
    draws: int = 10,
) -> dict[str, list[dict[str, Any]]]:  # fmt: skip
    """The whole procedure on invented bones.

    Parameters
    ----------
    plans : tuple of Bones
    kinds : tuple of str
    studies : int
        Of each plan and kind.
    seed : int
    queries : int
        In each study.
    draws : int
        Queries as they might be digitised again.

    Returns
    -------
    dict of str to list of dict
        By kind: verdicts before and after tempering, what tempered them, and the kinds of choice
        that turn them too often, whether they count or not.
    """
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for number, (plan, kind) in enumerate(itertools.product(plans, kinds)):
        for study in range(studies):
            rng = np.random.default_rng([seed, 99, number, study])
            material, _ = _bones(rng, plan, kind, queries)
            found[kind] += list(_concluded(material, rng, draws))
    return found


def _percent(share: float) -> str:
    return f"{100 * share:.1f}"


def _table_of_tests(studies: int, seed: int, chosen: list[str]) -> Iterator[str]:
    yield "| studies | " + " | ".join(KINDS[1:]) + " | member | first taxon's | worst cell |"
    yield "|---|" + "---|" * (len(KINDS) + 2)
    for scenario in chosen:
        found = in_tangent_space(scenario, studies, seed=seed)
        worst, share, of = found["worst"]
        low, _ = exact_interval(round(share * of), of)
        for few in ("", " (few)"):
            if "member" + few not in found["shares"]:
                continue
            cells = [_percent(found["shares"][kind + few]) for kind in (*KINDS[1:], KINDS[0])]
            last = [
                _percent(found["first taxon"]),
                f"{_percent(share)} (from {_percent(low)}) {worst}",
            ]
            cells += ["", ""] if few else last
            yield f"| {scenario}{few} | " + " | ".join(cells) + " |"


def _table_of_wholes(found: dict[str, list[dict[str, Any]]]) -> Iterator[str]:
    yield "| queries | n | outside before | after | inside before | after | taken back by |"
    yield "|---|---|---|---|---|---|---|"
    for kind, rows in found.items():
        share = {
            (when, told): _percent(np.mean([row[when] == told for row in rows]))
            for when in ("before", "after")
            for told in ("outside", "inside")
        }
        by = ", ".join(
            f"{k} {v}" for k, v in Counter(row["by"] for row in rows if row["by"]).items()
        )
        cells = [
            share[when, told] for told in ("outside", "inside") for when in ("before", "after")
        ]
        yield "| " + " | ".join([kind, str(len(rows)), *cells, by or "nothing"]) + " |"


def _table_of_choices(found: dict[str, list[dict[str, Any]]]) -> Iterator[str]:
    """What each kind of choice would save and cost, were it to take verdicts of outside back."""
    outside: dict[bool, list[dict[str, Any]]] = {True: [], False: []}
    for kind, rows in found.items():
        new = kind.split()[0] in ("random", "major", "landmark")
        outside[new] += [row for row in rows if row["before"] == "outside"]
    yield "| kind of choice | right verdicts that it would take back | wrong ones |"
    yield "|---|---|---|"
    choices = sorted(
        {choice for rows in outside.values() for row in rows for choice in row["turned"]}
    )
    for choice in choices:
        counts = [
            f"{sum(choice in row['turned'] for row in outside[right])} of {len(outside[right])}"
            for right in (True, False)
        ]
        yield f"| {choice} | {counts[0]} | {counts[1]} |"


WHOLE = (Bones(3, 10), Bones(5, 6), Bones(2, 10))
FORMS = ("member", "random 6", "random 9", "major 6", "landmark 4")
ERRORS = tuple(f"{who} {times}" for who in ("adult", "young") for times in (1, 1.5, 2, 3))


def _tests(scale: float, seed: int) -> Iterator[str]:
    yield from _table_of_tests(max(1, round(8 * scale)), seed, list(SCENARIOS))


def _wholes(scale: float, seed: int) -> Iterator[str]:
    studies = max(1, round(12 * scale))
    found = whole(WHOLE, FORMS, studies, seed=seed)
    yield from _table_of_wholes(found)
    yield ""
    yield from _table_of_choices(found)
    yield ""
    yield from _table_of_wholes(whole(WHOLE, ERRORS, max(1, studies // 2), seed=seed + 1))
    yield ""
    lost = tuple(replace(plan, missing=0.1) for plan in WHOLE)
    yield from _table_of_wholes(whole(lost, ("member",), studies, seed=seed + 2))


PARTS = {"tests": _tests, "wholes": _wholes}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", default=list(PARTS), help=", ".join(PARTS))
    parser.add_argument("--seed", type=int, default=SEEDS["report"])
    parser.add_argument("--scale", type=float, default=1.0, help="share of the studies")
    given = parser.parse_args()
    for part in given.parts:
        for line in PARTS[part](given.scale, given.seed):
            print(line, flush=True)
        print()


if __name__ == "__main__":
    main()
