"""Tables that try the verdict: how sure it is."""

# fmt: off

from __future__ import annotations

from morpho.results.columns import (
    GROUND, LANDMARK, LARGEST_P_AS_IT_IS, LARGEST_P_SIZE_HEEDED, P_VALUE, SPECIMEN, TAXON, VERDICT,
    VERDICT_AS_IT_IS,
)
from morpho.results.describing import Column, Table

__all__ = ["ROBUSTNESS"]

INSIDE = Column("inside", "inside", head="inside")
UNDECIDED = Column("undecided", "undecided", head="undecided")

ROBUSTNESS: tuple[Table, ...] = (
    Table(
        "conclusions", "The conclusion on each query: its verdict, tempered by screening, calibration and stability.", "conclude",
        section="sure",
        paper=(
            "Conclusion on each query: its verdict, tempered by screening, calibration and "
            "stability."
        ),
        columns=(
            SPECIMEN, VERDICT.here(head="conclusion"),
            Column("verdict_before", "before it was tempered: the verdict of the table `verdicts`", "text", head="verdict"),
            Column("tempered_by", "blank; suspected_slip, suspected_specimens, false_alarms, could_not_tell, no_yardstick or unstable: why it is undecided in spite of that; could_not_tell: a form as far from every taxon as `noticing` asks about would not have been noticed; no_yardstick: one known taxon, and tests: difference is not stated; suspected_slip: screening suspects a slip in the query, and the verdict hangs on it, see `suspicions`; suspected_specimens: it turns without known specimens of which screening suspects a digitisation", "text", head="tempered by"),
            Column("choice", "kind of choice that turns it too often; of one with fewer than ten settings at least two must turn it, or the only one", "text"),
            Column("suspects", "known specimens of which screening suspects a digitisation, separated by semicolons", "text"),
            Column("turned_without", "those without whom the verdict turns, or `all suspected specimens`; blank where it holds without each and all of them", "text"),
            Column("rests_on", "of a conclusion of outside: landmarks each of which turns it when it is left out, separated by semicolons", "text"),
            Column("nearest_taxon", "taxon that is nearest", "text"),
            Column("false_alarms", "known specimens told outside when they were left out", head="false alarms"),
            Column("left_out_specimens", "known specimens left out in turn", head="of specimens"),
            Column("false_alarms_low", "lower end of the exact 95 % interval of their share"),
            Column("false_alarms_high", "upper end"),
            Column("noticed", "members of taxa left out whole that were told outside", head="noticed"),
            Column("left_out_members", "members of taxa left out whole; taxon by taxon in `calibration_summary`", head="of members"),
            Column("settings", "other settings tried", head="settings"),
            Column("settings_hold", "those in which the verdict is the same", head="holds in"),
            Column("specimens_needed", "specimens of the nearest taxon that would have to be added to decide in 80 % of simulations; blank where it is decided, or no number tried would do"),
        ),
    ),
    Table(
        "calibration", "Known specimens judged by all the others, as if they were queries.", "calibrate",
        columns=(
            Column("left_out", "specimen: it alone was left out; taxon: its whole taxon was", "text"),
            SPECIMEN, TAXON, VERDICT, VERDICT_AS_IT_IS,
            Column("verdict_size_heeded", "at its own size", "text"),
            GROUND,
            Column("nearest_taxon", "nearest of the taxa left", "text"),
            Column("own_taxon_p_value_as_it_is", "against its own taxon, without regard to size; blank where that was left out"),
            Column("own_taxon_p_value_size_heeded", "against its own taxon, at its own size"),
            P_VALUE.here(meaning="largest p-value over the taxa and both ways"),
        ),
    ),
    Table(
        "calibration_summary", "False alarms (specimens left out) and members noticed (taxa left out) on this sample.", "calibrate",
        section="sure", page="Calibration: known specimens judged by the rest",
        paper=(
            "The procedure on this sample's own specimens: one specimen left out (false alarms)"
            " or a whole taxon (members noticed, a result for that taxon), with exact 95 % "
            "intervals."
        ),
        columns=(
            Column("left_out", "specimen: false alarms; taxon: how often members of this taxon would be noticed, were it unknown; a result for these taxa, not for new ones at large", "text", head="left out"),
            TAXON,
            Column("specimens", "specimens judged", head="n"),
            Column("outside", "how many were told outside", head="outside"),
            INSIDE, UNDECIDED,
            Column("share_outside", "share told outside", head="share outside"),
            Column("interval_low", "lower end of its exact 95 % interval (Clopper and Pearson); of a taxon left out, for members of that taxon judged by this sample; blank over all taxa left out, as their members are no sample of new taxa", head="from"),
            Column("interval_high", "upper end, likewise", head="to (exact 95 %)"),
            Column("own_taxon_rejects", "how many were rejected by the test of their own taxon, as they are or at their own size", head="rejected by own taxon's test", only="page"),
        ),
    ),
    Table(
        "stability", "The verdict on each query under every other choice, one changed at a time.", "vary",
        columns=(
            SPECIMEN,
            Column("choice", "kind of choice; as analysed: the procedure unchanged", "text"),
            Column("setting", "what was changed", "text"),
            VERDICT,
            Column("ground", "what the verdict rests on, as a key word; taxon_lost: outside of the others, where a taxon is left without any specimen", "text"),
            Column("kept_by", "where it is inside, the taxa that keep it, separated by semicolons", "text"),
            LARGEST_P_AS_IT_IS, LARGEST_P_SIZE_HEEDED,
            Column("turns", "whether it turns the verdict: another one, or inside where no taxon keeps the query any more that kept it before", "flag"),
            Column("suspected", "whether landmarks are left out of which screening suspects one of this query", "flag"),
        ),
    ),
    Table(
        "stability_summary", "How often the verdict holds, by kind of choice.", "vary",
        section="sure", page="Stability: how often the verdict holds",
        paper="How often the verdict holds under other choices.",
        columns=(
            SPECIMEN,
            Column("choice", "kind of choice", "text", head="kind of choice"),
            Column("settings", "settings tried", head="settings"),
            Column("holds", "settings in which the verdict is the same (and, if it is inside, a taxon that kept the query keeps it still)", head="holds in"),
            Column("share_holds", "their share; of fewer than ten settings at least two must turn a verdict for it to be taken back, or the only one; of suspects left out any one", head="share", only="paper"),
            Column("outside", "settings that give outside", head="outside", only="page"),
            INSIDE.here(only="page"), UNDECIDED.here(only="page"),
            Column("turning_settings", "settings that turn the verdict, separated by semicolons", "text", head="settings that turn it", only="page"),
        ),
    ),
    Table(
        "noticing", "What differences this sample notices: forms made by moving known specimens, each left out.", "rarefy",
        section="sure", page="What differences this sample notices",
        paper="Differences that this sample notices.",
        columns=(
            Column("difference", "Procrustes distance that is asked about: that between the two nearest known taxa, or the one stated in tests: difference; blank where there is neither", head="difference"),
            Column("stated", "whether it was stated", "flag"),
            Column("nearest_taxa", "the two nearest known taxa, separated by a semicolon", "text", head="nearest taxa"),
            Column("power", "share of forms so far from every taxon that would be told outside", head="noticed"),
            Column("power_low", "lower end of its exact 95 % interval, for as many trials as there are specimens", head="from"),
            Column("power_high", "upper end", head="to"),
            Column("smallest", "Procrustes distance of the smallest difference noticed in four of five cases", head="noticed in 4 of 5"),
        ),
    ),
    Table(
        "noticing_landmarks", "How far one landmark alone must lie from its place to be noticed.", "rarefy",
        section="sure", page="How far one landmark must lie from its place to be noticed",
        columns=(
            LANDMARK,
            Column("smallest_mm", "distance that is noticed in four of five cases, on a bone of mean size", head="noticed at (mm)"),
        ),
    ),
    Table(
        "rarefaction", "Errors of each taxon's mean shape and variance against its number of specimens.", "rarefy",
        columns=(
            TAXON,
            Column("specimens", "number of specimens"),
            Column("mean_error", "Procrustes distance of the mean of so many from that of the taxon, from subsamples; blank beyond the sample"),
            Column("mean_error_expected", "the same from the variance: square root of variance by number"),
            Column("variance_error", "error of the variance, as a share of it, from subsamples"),
        ),
    ),
    Table(
        "adequacy", "What each taxon's number of specimens allows.", "rarefy",
        section="sure", page="What each taxon's number of specimens allows",
        columns=(
            TAXON,
            Column("specimens", "known specimens", head="n"),
            Column("rank_floor", "smallest rank p-value within the taxon", head="smallest rank p within the taxon"),
            Column("rank_can_decide", "whether that reaches the level of the tests", "flag"),
            Column("specimens_for_rank", "number of specimens at which it would", head="n for it to reach the level"),
            Column("mean_error", "expected Procrustes distance of the sample's mean from that of the taxon", head="error of the mean shape"),
            Column("nearest_distance", "Procrustes distance to the nearest other taxon's mean", head="distance to the nearest taxon's mean"),
        ),
    ),
    Table(
        "specimens_to_decide", "Would more specimens of the nearest taxon decide? Simulations from the fitted model.", "rarefy",
        columns=(
            SPECIMEN, TAXON,
            Column("added", "specimens added to the taxon"),
            Column("taxon_specimens", "its number with them"),
            Column("simulations", "repeats"),
            Column("outside", "share of simulations in which the query came out outside"),
            INSIDE, UNDECIDED,
        ),
    ),
)
