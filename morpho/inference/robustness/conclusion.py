"""The conclusion on a query: its verdict, tempered by screening, calibration and stability."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import bdtrc

from morpho.inference.models.design import InferenceError
from morpho.inference.models.proportion import exact_interval
from morpho.inference.robustness.noticing import ENOUGH
from morpho.inference.robustness.stability import SUSPECTS, without_suspects

__all__ = ["UNTEMPERED", "Conclusion", "combine_elements", "conclude"]

# Kinds of choices that are shown but do not make a verdict undecided. The two ways of regarding
# size are both part of the verdict's own rule. What is new in a form is left out with its
# landmarks, and one specimen less moves the ranks by one: taking verdicts back for these saved no
# false alarm in simulations and cost right ones (benchmarks/verdicts.md).
UNTEMPERED = ("size", "landmark left out", "semilandmarks left out", "specimen left out")
# Growth lines read off beyond measured sizes weaken a claim that growth does not explain the
# difference; that it may do so is claimed no less for them.
UNMEASURED = "growth not extrapolated"
# Settings of one kind of choice below which a single one that turns the verdict is too little
# to take it back for, unless it is the only one: of four, one alone would weigh 25 percent.
_FEW_SETTINGS = 10
# Slips that, once mended, change the whole digitisation.
_WHOLE = ("mirror", "swapped")


@dataclass(frozen=True)
class Conclusion:
    """What is left of a verdict.

    Attributes
    ----------
    verdict : {'outside', 'inside', 'undecided'}
    tempered_by : str
        Blank where the verdict stands; `suspected_slip`: screening suspects a slip in the query
        on which it hangs; `suspected_specimens`: it turns without known specimens of which
        screening suspects a digitisation; `false_alarms`: the same procedure tells the sample's
        own specimens outside more often than it may; `could_not_tell`: inside, and a form as far
        from every taxon as asked about would not have been noticed; `no_yardstick`: inside of
        the only known taxon, and how far a form would have to be was not stated; `unstable`:
        another choice turns it too often.
    choice : str
        Kind of choice that turns it most.
    """

    verdict: str
    tempered_by: str = ""
    choice: str = ""


def _counts(calibration: pd.DataFrame, left_out: str) -> tuple[int, int]:
    chosen = (calibration["left_out"] == left_out) & (calibration["taxon"] == "all taxa")
    part = calibration[chosen]
    if part.empty:
        return 0, 0
    return int(part["outside"].iloc[0]), int(part["specimens"].iloc[0])


def _hangs_on_slip(suspicions: pd.DataFrame, settings: pd.DataFrame) -> bool:
    """Whether a verdict hangs on a slip that screening suspects in the query."""
    mended = suspicions["distance_after"] <= suspicions["threshold"]
    if (mended & suspicions["kind"].isin(_WHOLE)).any():
        return True
    return bool((settings["turns"] & settings["suspected"]).any())


def _turns_too_often(stability: pd.DataFrame, smallest_share: float) -> pd.DataFrame:
    """Kinds of choice that take a verdict back, the one that turns it most first."""
    settings = stability["settings"].to_numpy()
    turned = settings - stability["holds"].to_numpy()
    enough = (settings >= _FEW_SETTINGS) | (turned >= np.minimum(2, settings))
    falls = stability[(stability["share_holds"].to_numpy() < smallest_share) & enough]
    return falls.sort_values("share_holds", kind="stable")


def conclude(
    verdict: str,
    calibration: pd.DataFrame,
    stability: pd.DataFrame,
    settings: pd.DataFrame,
    *,
    suspicions: pd.DataFrame | None = None,
    power: float | None = None,
    alpha: float,
    smallest_share: float,
) -> Conclusion:
    """Temper a verdict.

    Parameters
    ----------
    verdict : str
    calibration : DataFrame
        The table of `calibration_summary`.
    stability : DataFrame
        The rows of `stability_summary` on the query.
    settings : DataFrame
        The rows of the table of `morpho.inference.robustness.stability.vary` on it.
    suspicions : DataFrame, optional
        The rows of `morpho.inference.data.screening.screen` on the query. A new form may well look
        suspicious, so a suspicion alone takes no verdict back. It falls where left and right
        or names of landmarks are probably exchanged and the digitisation, once mended, is
        within the threshold of a taxon, and where leaving suspected landmarks out turns it,
        one of them or all.
    power : float, optional
        Share of forms as far from every taxon as asked about that this sample would notice, see
        `noticing`: *inside* needs `ENOUGH`, and that members of taxa left out whole, which lie as
        far from the others, were not noticed less often than that (the upper end of the exact
        95 % interval of their share). NaN where nothing could be asked about.
    alpha : float
        Level of the tests: *outside* falls where the share of false alarms is larger (exact
        one-sided binomial test at 0.05).
    smallest_share : float
        A verdict falls where it holds in a smaller share of the settings of any kind of
        choice but those of `UNTEMPERED`; *inside* does not for growth lines beyond measured sizes.
        Of a kind with fewer than ten settings, at least two must turn it, or its only one:
        else one setting of four, such as a single axis, would undo what the others uphold.

    Notes
    -----
    Known specimens of which screening suspects a digitisation are a kind of choice to which no
    share applies: a verdict falls where it turns without any one of them, or without all. A
    single bone of the wrong side can take an axis for itself and widen its taxon until that
    keeps what it should not.

    Returns
    -------
    Conclusion
    """
    if verdict == "undecided":
        return Conclusion(verdict)
    if suspicions is not None and _hangs_on_slip(suspicions, settings):
        return Conclusion("undecided", "suspected_slip")
    if without_suspects(settings)["turns"].any():
        return Conclusion("undecided", "suspected_specimens")
    alarms, left_out = _counts(calibration, "specimen")
    if verdict == "outside" and left_out:
        excess = float(bdtrc(alarms - 1, left_out, alpha))
        if excess <= 0.05:
            return Conclusion("undecided", "false_alarms")
    if verdict == "inside" and power is not None:
        if np.isnan(power):
            return Conclusion("undecided", "no_yardstick")
        if power < ENOUGH or exact_interval(*_counts(calibration, "taxon"))[1] < ENOUGH:
            return Conclusion("undecided", "could_not_tell")
    shown = (*UNTEMPERED, SUSPECTS, *([UNMEASURED] if verdict == "inside" else []))
    weighed = stability[~stability["choice"].isin(shown)]
    falls = _turns_too_often(weighed, smallest_share)
    if len(falls):
        return Conclusion("undecided", "unstable", str(falls["choice"].iloc[0]))
    return Conclusion(verdict)


def combine_elements(
    evidence: Mapping[str, Mapping[str, float]], verdicts: Sequence[str], *, alpha: float
) -> tuple[pd.DataFrame, str]:
    r"""Evidence of several elements of one individual, combined for each taxon.

    An individual that belongs to a taxon belongs to it with all its elements. For each taxon
    the p-values :math:`p_1, ..., p_K` of the elements are combined by
    :math:`\min(K \min_k p_k, \max_k p_k)`: one element rejects by Bonferroni's rule, or all do.
    Each of the two holds its level whatever the dependence between the elements of one animal
    (they are order statistics of p-values, Rueger 1978, Metrika 25, 171-178; from memory); both
    together hold it where elements are independent or alike, and for every normal correlation
    in between (tests/inference/test_conclusion.py). The second is needed as ranks among few
    specimens never are as small as Bonferroni's rule asks.

    Parameters
    ----------
    evidence : mapping of str to mapping of str to float
        For each element, the p-value against each taxon.
    verdicts : sequence of str
        Conclusions on the elements.
    alpha : float

    Returns
    -------
    table : DataFrame
        `taxon`, `elements` (how many have it), `combined_p_value`, and `kept`: whether no
        element rejects it.
    verdict : str
        *outside* if the combined p-value of every taxon rejects, an element is outside and
        none is inside;
        *inside* if all elements are inside and some taxon is kept by each of them;
        else *undecided*.

    Raises
    ------
    InferenceError
        If there is no evidence.
    """
    taxa = sorted({taxon for element in evidence.values() for taxon in element})
    if not taxa:
        raise InferenceError("No element of the individual was held against any taxon.")
    rows = []
    for taxon in taxa:
        p = np.array([element[taxon] for element in evidence.values() if taxon in element])
        rows.append(
            {
                "taxon": taxon,
                "elements": len(p),
                "combined_p_value": float(min(len(p) * p.min(), p.max())),
                "kept": bool((p > alpha).all()),
            }
        )
    table = pd.DataFrame(rows)
    if "inside" not in verdicts and (table["combined_p_value"] <= alpha).all():
        return table, "outside" if "outside" in verdicts else "undecided"
    inside = all(verdict == "inside" for verdict in verdicts) and bool(table["kept"].any())
    return table, "inside" if inside else "undecided"
