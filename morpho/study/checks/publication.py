"""What will be published, and what the user is asked about before it is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from morpho.study.landmarks.digitised import Study
from morpho.study.leaks import Sought, text_of
from morpho.study.public_inputs import (
    input_files,
    private_texts,
    public_inputs,
    public_table,
    published,
)
from morpho.study.reading.problems import Problems, StudyError
from morpho.study.reading.wording import meant, nearest, quoted, visible
from morpho.study.settings.privacy import WHY
from morpho.study.specimens import SPECIMEN_COLUMNS
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["check_publication", "publication_words"]

# Why a column is kept back without a question.
_SURE = ("listed", "name")


def check_publication(study: Study, problems: Problems) -> None:
    """Ask about the columns that are kept back until the user says otherwise, each once.

    Warn of texts of such columns that stand elsewhere: the archive would be refused.
    """
    config = study.config
    asked: set[tuple[str, str]] = set()
    headers: set[str] = set()
    whole = True
    for kind, _, path in input_files(config, ("specimens", "landmarks")):
        try:
            _, told = public_table(config, kind, path)  # type: ignore[arg-type]
        except StudyError:  # told already
            whole = False
            continue
        headers.update(told.kept, dict(told.back))
        for name, why in told.back:
            if why in _SURE or (kind, name) in asked:
                continue
            asked.add((kind, name))
            problems.note(
                f"The column {quoted(name)} is kept back from results and archive: {WHY[why]}, "
                "which may lead to where a specimen was found.",
                "To publish it list it under specimens: public in study.yaml; to keep it back "
                "and not be asked, under private.",
                file=path,
                line=1,
            )
    if not whole:
        return
    for name in config.settings.specimens.private:
        if name not in headers:
            hint = meant(nearest(name, headers), quoted)
            problems.error(
                f"The private column {quoted(name)} is in no table of the study.",
                f"{hint} Put the name right, so that nothing private gets out.".lstrip(),
                **config.at("specimens", "private"),
            )
    if not problems.errors:
        _check_leaks(study, problems)


def _check_leaks(study: Study, problems: Problems) -> None:
    config = study.config
    texts = private_texts(config)
    if not texts:
        return
    sought, settings = Sought(texts), config.settings
    places: list[tuple[Path, bytes | Path]] = [
        (config.path, f"{settings.title}\n{settings.notice}".encode())
    ]
    places += [(one.path, one.content) for one in public_inputs(config, scans=False)]
    for path, content in places:
        for text in sought.found(f"{path.name} {text_of(path.name, content)}"):
            problems.warning(
                f"{texts[text].words[0].upper()}{texts[text].words[1:]}, a column that is kept "
                "back, stands here as well: there will be no archive.",
                "Take it out here; or, if it tells no place, list it under specimens: "
                "public_words in study.yaml.",
                file=path,
            )


def publication_words(config: StudyConfig) -> list[str]:
    """Say which columns of the user's tables are published, and which are kept back.

    Examples of a line: ``specimen table: specimen, taxon and role; kept back: site (its name speaks
    of a place)``.
    """
    lines = []
    for one in published(config):
        what = "specimen table" if one.kind == "specimens" else "landmark table"
        many = f"{what}s ({one.files})" if one.files > 1 else what
        back = listed(f"{visible(name)} ({WHY[why]})" for name, why in one.back)
        kept = listed(map(visible, one.kept))
        lines.append(f"{many}: {kept}; kept back: {back}")
    terms = [
        name
        for term in config.settings.model.terms
        for name in ([term] if isinstance(term, str) else term)
        if name not in ("size", "taxon")
    ]
    shown = listed(visible(name) for name in dict.fromkeys(("specimen", *SPECIMEN_COLUMNS, *terms)))
    lines.append(f"page and supplement, of the specimen table: {shown}")
    return lines
