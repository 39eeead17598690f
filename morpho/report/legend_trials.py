"""Columns of the tables that try the verdict, and of those that join all elements."""

from __future__ import annotations

__all__ = ["JOINED", "TRIALS"]

TRIALS: dict[str, tuple[str, dict[str, str]]] = {
    "trajectories": (
        "Only a juvenile? Each query against the growth line of each taxon at its own size.",
        {
            "growth_line": "own: the taxon has a slope of its own; shared: it shares one with others",
            "taxon_specimens": "known specimens of the taxon",
            "smallest_log_size": "smallest log centroid size among them",
            "largest_log_size": "largest",
            "sizes_beyond": "how far the query's log size lies beyond these, as a share of their range; 0 among them",
            "distance": "comparable distance of the query from the line",
            "members_as_far": "members that lie as far from the line that the others draw",
            "members_median_distance": "median of the members' distances",
            "members_largest_distance": "largest of them",
            "rank_p_value": "share of the taxon, the query among them, that lies as far out",
            "p_value": "against membership, at the query's own size; as in `membership`",
            "stage": "growth stage of the query as given",
            "same_stage_specimens": "members of the same stage",
            "same_stage_as_far": "those of them that lie as far out",
        },
    ),
    "calibration": (
        "Known specimens judged by all the others, as if they were queries.",
        {
            "left_out": "specimen: it alone was left out; taxon: its whole taxon was",
            "verdict": "outside, inside or undecided",
            "verdict_as_it_is": "without regard to size",
            "verdict_size_heeded": "at its own size",
            "ground": "what the verdict rests on, as a key word",
            "nearest_taxon": "nearest of the taxa left",
            "own_taxon_p_value_as_it_is": "against its own taxon, without regard to size; blank where that was left out",
            "own_taxon_p_value_size_heeded": "against its own taxon, at its own size",
            "p_value": "largest p-value over the taxa and both ways",
        },
    ),
    "calibration_summary": (
        "False alarms (specimens left out) and members noticed (taxa left out) on this sample.",
        {
            "left_out": "specimen: false alarms; taxon: how often members of this taxon would be noticed, were it unknown; a result for these taxa, not for new ones at large",
            "specimens": "specimens judged",
            "outside": "how many were told outside",
            "inside": "inside",
            "undecided": "undecided",
            "share_outside": "share told outside",
            "interval_low": "lower end of its exact 95 % interval (Clopper and Pearson); of a taxon left out, for members of that taxon judged by this sample; blank over all taxa left out, as their members are no sample of new taxa",
            "interval_high": "upper end, likewise",
            "own_taxon_rejects": "how many were rejected by the test of their own taxon, as they are or at their own size",
        },
    ),
    "stability": (
        "The verdict on each query under every other choice, one changed at a time.",
        {
            "choice": "kind of choice; as analysed: the procedure unchanged",
            "setting": "what was changed",
            "verdict": "outside, inside or undecided",
            "ground": "what the verdict rests on, as a key word; taxon_lost: outside of the others, where a taxon is left without any specimen",
            "kept_by": "where it is inside, the taxa that keep it, separated by semicolons",
            "turns": "whether it turns the verdict: another one, or inside where no taxon keeps the query any more that kept it before",
            "suspected": "whether landmarks are left out of which screening suspects one of this query",
            "p_value_as_it_is": "largest p-value over the taxa, without regard to size",
            "p_value_size_heeded": "largest p-value over the taxa, at the query's own size",
        },
    ),
    "stability_summary": (
        "How often the verdict holds, by kind of choice.",
        {
            "choice": "kind of choice",
            "settings": "settings tried",
            "holds": "settings in which the verdict is the same (and, if it is inside, a taxon that kept the query keeps it still)",
            "share_holds": "their share; of fewer than ten settings at least two must turn a verdict for it to be taken back, or the only one; of suspects left out any one",
            "outside": "settings that give outside",
            "inside": "inside",
            "undecided": "undecided",
            "turning_settings": "settings that turn the verdict, separated by semicolons",
        },
    ),
    "rarefaction": (
        "Errors of each taxon's mean shape and variance against its number of specimens.",
        {
            "specimens": "number of specimens",
            "mean_error": "Procrustes distance of the mean of so many from that of the taxon, from subsamples; blank beyond the sample",
            "mean_error_expected": "the same from the variance: square root of variance by number",
            "variance_error": "error of the variance, as a share of it, from subsamples",
        },
    ),
    "adequacy": (
        "What each taxon's number of specimens allows.",
        {
            "specimens": "known specimens",
            "rank_floor": "smallest rank p-value within the taxon",
            "rank_can_decide": "whether that reaches the level of the tests",
            "specimens_for_rank": "number of specimens at which it would",
            "mean_error": "expected Procrustes distance of the sample's mean from that of the taxon",
            "nearest_distance": "Procrustes distance to the nearest other taxon's mean",
        },
    ),
    "specimens_to_decide": (
        "Would more specimens of the nearest taxon decide? Simulations from the fitted model.",
        {
            "added": "specimens added to the taxon",
            "taxon_specimens": "its number with them",
            "simulations": "repeats",
            "outside": "share of simulations in which the query came out outside",
            "inside": "inside",
            "undecided": "undecided",
        },
    ),
    "conclusions": (
        "The conclusion on each query: its verdict, tempered by screening, calibration and stability.",
        {
            "verdict": "outside, inside or undecided",
            "verdict_before": "before it was tempered: the verdict of the table `verdicts`",
            "tempered_by": "blank; suspected_slip, suspected_specimens, false_alarms, never_notices or unstable: why it is undecided in spite of that; suspected_slip: screening suspects a slip in the query, and the verdict hangs on it, see `suspicions`; suspected_specimens: it turns without known specimens of which screening suspects a digitisation",
            "choice": "kind of choice that turns it too often; of one with fewer than ten settings at least two must turn it, or the only one",
            "suspects": "known specimens of which screening suspects a digitisation, separated by semicolons",
            "turned_without": "those without whom the verdict turns, or `all suspected specimens`; blank where it holds without each and all of them",
            "nearest_taxon": "taxon that is nearest",
            "false_alarms": "known specimens told outside when they were left out",
            "left_out_specimens": "known specimens left out in turn",
            "false_alarms_low": "lower end of the exact 95 % interval of their share",
            "false_alarms_high": "upper end",
            "noticed": "members of taxa left out whole that were told outside",
            "left_out_members": "members of taxa left out whole; taxon by taxon in `calibration_summary`",
            "settings": "other settings tried",
            "settings_hold": "those in which the verdict is the same",
            "specimens_needed": "specimens of the nearest taxon that would have to be added to decide in 80 % of simulations; blank where it is decided, or no number tried would do",
        },
    ),
}

JOINED: dict[str, tuple[str, dict[str, str]]] = {
    "individuals": (
        "Each query by all its elements together.",
        {
            "elements": "elements judged; 0 where none could be",
            "verdict": "all elements together: outside, inside or undecided",
            "verdicts_of_elements": "the conclusion by each",
            "taxon": "taxon with the largest combined p-value",
            "combined_p_value": "its combined p-value",
        },
    ),
    "individual_evidence": (
        "Evidence of the elements of each query side by side.",
        {
            "element": "element",
            "p_value_as_it_is": "against the taxon, without regard to size",
            "p_value_size_heeded": "against the taxon, at the query's own size",
            "p_value": "the larger of the two: both must reject",
            "combined_p_value": "smallest p-value of the elements times their number, at most 1 (Bonferroni); without elements whose verdict was taken back for suspected digitisations, if others are left",
            "kept": "whether no element that counts rejects the taxon",
            "doubted": "whether the element does not count beside the others, as its verdict hangs on suspected digitisations",
        },
    ),
    "proportion_values": (
        "Ratios of centroid sizes of elements, individual by individual.",
        {
            "first": "one element",
            "second": "the other element",
            "ratio": "centroid size of the first by that of the second",
        },
    ),
    "proportions": (
        "Relative sizes of elements within individuals: each query beside each taxon.",
        {
            "first": "one element",
            "second": "the other element",
            "taxon_specimens": "known individuals with both elements",
            "ratio_minimum": "smallest ratio of centroid sizes, first by second, among them",
            "ratio_maximum": "largest",
            "ratio_mean": "geometric mean",
            "query_ratio": "the query's ratio",
            "standardised_difference": "difference of the query's log ratio from the taxon's mean in the taxon's standard deviations, positive where the query's ratio is larger, corrected for small samples",
            "p_value": "how often a new individual of the taxon would differ as much, by Student's t",
            "p_value_false_discovery": "the same, adjusted for the number of pairs of elements (Benjamini and Hochberg)",
            "outside_range": "whether the query's ratio lies outside the taxon's range; blank where the query or all of the taxon lack an element",
        },
    ),
}
