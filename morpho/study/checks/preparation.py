"""Can what study.yaml asks of the preparation be done with this sample?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.landmarks.digitised import Digitised
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import nearest, quoted
from morpho.study.scheme.reading import Scheme
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["check_distortion", "check_estimates"]


def check_distortion(
    config: StudyConfig,
    schemes: Mapping[str, Scheme],
    specimens: pd.DataFrame,
    landmarks: Mapping[str, pd.DataFrame],
    problems: Problems,
) -> None:
    """Check the specimens whose distortion is to be removed."""
    symmetric = [name for name, scheme in schemes.items() if scheme.symmetry == "object"]
    listed_ones = config.settings.preparation.distortion
    for place, name in enumerate(listed_ones):
        line = config.line("preparation", "distortion", place)
        here = problems.at(file=config.path, line=line)
        if name not in specimens.index:
            near = nearest(name, list(specimens.index))
            here.error(
                f"preparation.distortion names {quoted(name)}, which is not in the specimen table.",
                f"Did you mean {quoted(near)}?" if near else "Correct the name, or delete it.",
            )
        elif name in listed_ones[:place]:
            here.error(
                f"preparation.distortion names {quoted(name)} twice.", "Keep one of the two."
            )
        elif not any(
            name in set(landmarks[element]["specimen"])
            for element in symmetric
            if element in landmarks
        ):
            here.warning(
                f"The distortion of {quoted(name)} cannot be removed: it is digitised in no "
                "element with a plane of symmetry.",
                "Only an element with symmetry: object can be made symmetric. Take the name out, "
                "and bear the distortion in mind.",
                specimen=name,
            )


def check_estimates(of: Digitised) -> None:
    """Check that missing landmarks can be estimated from the known specimens, and tell of each."""
    config, scheme, specimens, landmarks = of.config, of.scheme, of.specimens, of.landmarks
    rule = config.settings.preparation.missing
    treated = {"known": rule.known, "query": rule.query}
    roles = specimens["role"].to_dict()
    rows = landmarks[landmarks["landmark"].isin(scheme.landmark_names) & landmarks["x"].notna()]
    has = {str(name): set(each["landmark"]) for name, each in rows.groupby("specimen")}
    known = {name for one, there in has.items() if roles.get(one) == "known" for name in there}
    unknown = [
        name
        for name in scheme.landmark_names
        if name not in known and scheme.mirror_of(name) not in known
    ]
    wanted: set[str] = set()
    for specimen, there in has.items():
        role = str(roles.get(specimen, ""))
        lost = [name for name in scheme.landmark_names if name not in there]
        share = len(there) / len(scheme.landmark_names)
        if not lost or share < rule.smallest_share or treated.get(role) != "estimate":
            continue
        wanted.update(lost)
        drawn = set(landmarks.loc[landmarks["specimen"] == specimen, "landmark"])
        ended = [
            curve.name
            for curve in scheme.curves
            if {curve.start, curve.end} & set(lost) and f"{curve.name}.1" in drawn
        ]
        also = (
            f" So will {listed(ended)}: a curve without an end cannot be divided evenly, and its "
            "digitised points are not used."
            if ended and config.settings.preparation.semilandmarks.curves
            else ""
        )
        of.problems.note(
            f"The {'query' if role == 'query' else 'known specimen'} lacks "
            f"{listed(lost, most=6)}: {'it' if len(lost) == 1 else 'they'} will be estimated."
            f"{also}",
            "The report tells how far the verdicts hang on it. To leave the specimen out write "
            f"set_aside under preparation: missing: {role}.",
            file=config.specimens_file,
            specimen=specimen,
        )
    for name in unknown:
        if name in wanted and known:
            of.problems.error(
                f"No known specimen has the landmark {name}: it cannot be estimated.",
                "Take it out of the scheme, or digitise it on known specimens; or write shared "
                "under preparation: missing, to use only the landmarks that all share.",
                file=config.scheme_path(scheme.element),
                landmark=name,
            )
