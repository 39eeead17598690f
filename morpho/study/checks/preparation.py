"""Can what study.yaml asks of the preparation be done with this sample?"""

from __future__ import annotations

from morpho.study.landmarks.digitised import Digitised, Study
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import meant, nearest, quoted
from morpho.wording import listed

__all__ = ["check_distortion", "check_estimates"]


def check_distortion(study: Study, problems: Problems) -> None:
    """Check the specimens whose distortion is to be removed."""
    symmetric = {
        name
        for element, rows in study.landmarks.items()
        if study.schemes[element].symmetry == "object"
        for name in rows["specimen"]
    }
    distorted = study.config.settings.preparation.distortion
    for place, name in enumerate(distorted):
        here = problems.at(**study.config.at("preparation", "distortion", place))
        if name not in study.specimens.index:
            here.error(
                f"preparation.distortion names {quoted(name)}, which is not in the specimen table.",
                meant(nearest(name, study.specimens.index), quoted)
                or "Correct the name, or delete it.",
            )
        elif name in distorted[:place]:
            here.error(
                f"preparation.distortion names {quoted(name)} twice.", "Keep one of the two."
            )
        elif name not in symmetric:
            here.warning(
                f"The distortion of {quoted(name)} cannot be removed: it is digitised in no "
                "element with a plane of symmetry.",
                "Only an element with symmetry: object can be made symmetric. Take the name out, "
                "and bear the distortion in mind.",
                specimen=name,
            )


def check_estimates(of: Digitised) -> None:
    """Check that missing landmarks can be estimated from the known specimens, and tell of each."""
    scheme, preparation = of.scheme, of.config.settings.preparation
    rule, names = preparation.missing, scheme.landmark_names
    treated = {"known": rule.known, "query": rule.query}
    roles = of.specimens["role"].to_dict()
    rows = of.landmarks[of.landmarks["landmark"].isin(names) & of.landmarks["x"].notna()]
    has = {str(name): set(each["landmark"]) for name, each in rows.groupby("specimen")}
    known = {name for one, there in has.items() if roles.get(one) == "known" for name in there}
    wanted: set[str] = set()
    for specimen, there in has.items():
        role = str(roles.get(specimen, ""))
        lost = [name for name in names if name not in there]
        share = len(there) / len(names)
        if not lost or share < rule.smallest_share or treated.get(role) != "estimate":
            continue
        wanted.update(lost)
        drawn = set(of.landmarks.loc[of.landmarks["specimen"] == specimen, "landmark"])
        ended = [
            curve.name
            for curve in scheme.curves
            if {curve.start, curve.end} & set(lost) and f"{curve.name}.1" in drawn
        ]
        also = (
            f" So will {listed(ended)}: a curve without an end cannot be divided evenly, and its "
            "digitised points are not used."
            if ended and preparation.semilandmarks.curves
            else ""
        )
        of.problems.note(
            f"The {'query' if role == 'query' else 'known specimen'} lacks "
            f"{listed(lost, most=6)}: {'it' if len(lost) == 1 else 'they'} will be estimated."
            f"{also}",
            "The report tells how far the verdicts hang on it. To leave the specimen out write "
            f"set_aside under preparation: missing: {role}.",
            file=of.config.specimens_file,
            specimen=specimen,
        )
    for name in names:
        if known and name in wanted and not {name, scheme.mirror_of(name)} & known:
            of.problems.error(
                f"No known specimen has the landmark {name}: it cannot be estimated.",
                "Take it out of the scheme, or digitise it on known specimens; or write shared "
                "under preparation: missing, to use only the landmarks that all share.",
                file=of.config.scheme_path(scheme.element),
                landmark=name,
            )
