"""Draw: one figure from its tables, as SVG, PDF and PNG. Nothing is computed here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from morpho.results.store import ElementResults

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]


def run(config: StudyConfig, element: str, results: ElementResults, figure: str) -> None:
    """Draw one figure of an element."""
    import matplotlib as mpl

    mpl.use("Agg")
    from morpho.drawing.bone import views as bone
    from morpho.drawing.figures import distortion, error_map, growth, ranges, sample_size, trials
    from morpho.drawing.figures import membership as distances
    from morpho.drawing.figures import space as shape_space
    from morpho.drawing.figures import taxa as canonical
    from morpho.drawing.saving import save_figure
    from morpho.drawing.style import figure_style

    choices = config.settings.figures
    table = results.table

    def bones() -> tuple[list, list]:
        return results.notes("slide")["links"], results.notes("superimpose")["towards"]

    makers = {
        "shape_space": lambda: shape_space.shape_space(
            table("shape_scores"), table("variance_per_axis"), choices.outlines
        ),
        "variance_per_axis": lambda: shape_space.variance(table("variance_per_axis")),
        "growth": lambda: growth.growth(table("growth"), results.notes("grow")["slope_length"]),
        "canonical_axes": lambda: canonical.canonical(
            table("canonical_scores"), table("canonical_axes")
        ),
        "distances": lambda: distances.distances(
            table("membership"),
            table("spread"),
            config.settings.tests.alpha,
            results.notes("measure")["error_distance"],
        ),
        "calibration": lambda: trials.calibration(
            table("calibration_summary"), config.settings.tests.alpha
        ),
        "stability": lambda: trials.stability(table("stability")),
        "trajectories": lambda: sample_size.trajectories(
            table("trajectories"), table("spread"), table("centroid_size")
        ),
        "adequacy": lambda: sample_size.adequacy(table("rarefaction")),
        "specimens_to_decide": lambda: sample_size.specimens_to_decide(
            table("specimens_to_decide")
        ),
        "proportions": lambda: ranges.proportions(
            table("proportions").rename(columns={"specimen": "query"}), table("proportion_values")
        ),
        "mean_shape": lambda: bone.mean_shape(table("mean_shape"), *bones()),
        "distortion": lambda: distortion.distortion(table("distortion_shapes"), *bones()),
        "landmark_error": lambda: error_map.error_map(
            table("mean_shape"), table("landmark_error"), *bones()
        ),
        "axis_shapes": lambda: bone.axis_shapes(
            table("mean_shape"), table("axis_shapes"), *bones(), magnify=choices.magnify
        ),
    }
    with figure_style():
        save_figure(results.folder / "figures", figure, makers[figure]())
