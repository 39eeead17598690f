"""Which columns of a table tell where a specimen was found, or may lead to it.

Such columns reach neither results nor archive: a published table must not lead a thief to a site.
Some tell it by their name, some by their values alone; elevation, horizon and free remarks may
lead there, and are kept back until the user says otherwise.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from itertools import pairwise

__all__ = ["WHY", "asked_about", "kept_back", "places_by_values", "speaks_of_place"]

# Whole words (accents off, lower case): English, German, French, Spanish, Italian, Portuguese,
# Dutch, Swedish, Polish, Russian, Turkish.
_WORDS = {
    "locality", "localities", "location", "locus", "whereabouts", "site", "sites", "findspot",
    "findsite", "findsites", "latitude", "longitude", "lat", "lon", "lng", "coord", "coords",
    "coordinate", "coordinates", "gps", "geo", "utm", "mgrs", "easting", "northing",
    "eastings", "northings", "grid", "gridref", "gridreference", "geolocation", "geoposition",
    "georeference", "provenance", "provenience", "quarry", "outcrop", "place", "address",
    "fundort", "fundorte", "fundstelle", "fundstellen", "fundplatz", "fundpunkt", "ort",
    "breite", "lange", "koordinate", "koordinaten", "rechtswert", "hochwert", "localite",
    "localites", "lieu", "gisement", "gisements", "coordonnee", "coordonnees", "localidad",
    "localidades", "yacimiento", "yacimientos", "latitud", "longitud", "coordenada",
    "coordenadas", "sitio", "sitios", "lugar", "localita", "luogo", "giacimento", "latitudine",
    "longitudine", "coordinata", "sito", "siti", "localidade", "jazida", "local", "vindplaats",
    "vindplaatsen", "locatie", "coordinaat", "coordinaten", "plaats", "lokal", "fyndplats",
    "fyndort", "lokalitet", "koordinat", "koordinater", "stanowisko", "lokalizacja",
    "wspolrzedne", "местонахождение", "местонахождения", "место", "локалитет", "широта",
    "долгота", "координаты", "buluntu", "konum", "enlem", "boylam", "koordinatlar",
}  # fmt: skip
# Stems long enough to be looked for within a word, as in "decimallatitude".
_STEMS = (
    "latitud", "longitud", "localit", "lokalit", "coordinat", "koordinat", "coordenad",
    "coordonn", "fundort", "fundstelle", "gridref", "geolocat", "georef", "breitengrad",
    "langengrad", "breedtegraad", "lengtegraad", "местонахожд",
    "地点", "產地", "产地", "経度", "緯度", "经度", "纬度", "坐标", "座標",
)  # fmt: skip
_QUALIFIERS = {"decimal", "dec", "deg", "degree", "degrees", "dd", "dms", "wgs84", "x", "y"}


def _words(column: str) -> list[str]:
    spaced = re.sub(r"(?<=[^\W\d_])(?=[A-Z][a-z])|(?<=[a-z])(?=[A-Z])", " ", column)
    plain = "".join(
        character
        for character in unicodedata.normalize("NFKD", spaced)
        if not unicodedata.combining(character)
    ).casefold()
    return re.findall(r"[^\W_]+", plain)


def speaks_of_place(column: str) -> bool:
    """Tell whether a column's name says that it holds a place or coordinates.

    Examples
    --------
    >>> [speaks_of_place(name) for name in ("decimalLatitude", "long", "long_bone", "plateau")]
    [True, True, False, False]
    """
    words = _words(column)
    joined = "".join(words)
    if _WORDS & set(words) or joined in _WORDS or any(stem in joined for stem in _STEMS):
        return True
    pairs = {first + second for first, second in pairwise(words)}
    if _WORDS & pairs:
        return True
    return [word for word in words if word not in _QUALIFIERS] == ["long"]


# Words of a name that says that a column may tell a place by and by: it is asked about.
_ASKED = {
    "elevation": {
        "elevation", "altitude", "altitud", "altitudine", "elev", "alt", "masl", "asl", "hohe",
        "seehohe", "meereshohe", "hohenlage", "quota", "altezza", "hoogte", "hojd", "wysokosc",
        "высота", "yukseklik", "rakim",
    },
    "horizon": {
        "horizon", "horizont", "horizonte", "orizzonte", "stratum", "strata", "stratigraphy",
        "strato", "estrato", "schicht", "fundschicht", "couche", "laag", "lager", "warstwa", "слой",
        "горизонт", "tabaka", "layer", "bed", "formation", "formacion", "formazione", "spit",
    },
    "remarks": {
        "remark", "remarks", "note", "notes", "comment", "comments", "memo", "description",
        "observation", "observations", "bemerkung", "bemerkungen", "anmerkung", "anmerkungen",
        "kommentar", "kommentare", "notiz", "notizen", "remarque", "remarques", "commentaire",
        "commentaires", "observacion", "observaciones", "nota", "notas", "comentario",
        "comentarios", "osservazione", "osservazioni", "commento", "commenti", "opmerking",
        "opmerkingen", "anmarkning", "anmarkningar", "uwagi", "примечание", "примечания", "notlar",
        "aciklama", "備考", "备注",
    },
}  # fmt: skip
# A cell of so many words is a remark, whatever its column is called.
_MANY_WORDS = 8

# Of these one cell tells a place, wherever it stands in it.
_PLACES = re.compile(
    r"""
    \d\s*°\s*\d+(?:[.,]\d+)?\s*['′’]               # 47° 12'
    | \d\s*°\s*[NSEWO]\b | \b[NSEWO]\s*\d+(?:[.,]\d+)?\s*°  # 47.2° N, N 47°
    | \b\d{1,3}\s+\d{1,2}(?:[.,]\d+)?\s*['′’]          # 47 12'
    | (?<![\d.])-?\d{1,2}\.\d{3,}\s*[,;/ ]\s*-?\d{1,3}\.\d{3,}(?![\d.])  # 47.123, 8.456
    | \b(?:[1-9]|[1-5]\d|60)\s?[C-HJ-NP-X][\s,;]+\d{5,7}(?:\.\d+)?\s*[mE]?[\s,;/]+\d{6,8}  # UTM
    | \b(?:[1-9]|[1-5]\d|60)[C-HJ-NP-X]\s?[A-HJ-NP-Z]{2}\s?(?:\d{2}){2,5}\b      # MGRS
    | \b(?:[1-9]|[1-5]\d|60)[C-HJ-NP-X]\s?[A-HJ-NP-Z]{2}\s\d{2,5}\s\d{2,5}\b
    | (?<!\w)[23456789CFGHJMPQRVWX]{8}\+[23456789CFGHJMPQRVWX]{2,3}(?!\w)  # open location code
    | \bgeo:-?\d
    """,
    re.VERBOSE,
)
# Of these half of a column's cells do: each alone may be something else.
_MAYBE_PLACES = re.compile(
    r"""
    [NSEWO]\s*\d{1,3}(?:[\s.,:]+\d+)*                    # N 47, N 47 12
    | \d{1,3}(?:[\s.,:]+\d+)*\s*[NSEWO]                  # 47.2 N
    | (?:\d{1,3}\s*[°º]|\d{1,3}\s*deg\.?)\s*[\d.,'′’"″\s]*[NSEWO]?  # 47°
    | [A-Z]{2}\s\d{3,5}\s\d{3,5}                         # a map's letters and numbers
    | \d{6,7}(?:\.\d+)?\s*[,;/ ]\s*\d{6,7}(?:\.\d+)?      # easting and northing in metres
    """,
    re.VERBOSE,
)
_DEGREES = re.compile(r"[-+]?(\d{1,3})[.,]\d{4,}")
_METRES = re.compile(r"\d{6,7}(?:[.,]\d+)?")
# A column of such a name holds what was measured on the bone.
_MEASURED = {
    "mm", "cm", "um", "kg", "g", "mg", "length", "width", "breadth", "height", "depth", "diameter",
    "mass", "weight", "log", "ln", "ratio", "size", "area", "volume", "angle", "age", "index",
}  # fmt: skip
# Share of a column's cells that must look alike.
_HALF = 0.5

WHY = {
    "listed": "listed as private",
    "name": "its name speaks of a place",
    "values": "its values look like a place",
    "elevation": "it may tell an elevation",
    "horizon": "it may tell a horizon",
    "remarks": "it may hold free remarks",
}


def asked_about(column: str) -> str:
    """Say what a column's name may tell that leads to a place: elevation, horizon or remarks.

    Examples
    --------
    >>> [asked_about(name) for name in ("elevation_m", "Bed", "Bemerkungen", "sex")]
    ['elevation', 'horizon', 'remarks', '']
    """
    words = set(_words(column))
    return next((what for what, known in _ASKED.items() if words & known), "")


def _share(pattern: re.Pattern[str], cells: Sequence[str]) -> float:
    return sum(bool(pattern.fullmatch(cell)) for cell in cells) / len(cells) if cells else 0.0


def _degrees(column: str, cells: Sequence[str], most: int) -> bool:
    """Whether a column may hold decimal degrees."""
    if _MEASURED & set(_words(column)):
        return False
    found = [match for match in map(_DEGREES.fullmatch, cells) if match]
    whole = all(int(match[1]) <= most for match in found)
    return whole and len(found) > _HALF * len(cells)


def places_by_values(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> dict[str, str]:
    """Find the columns whose cells look like places, or like remarks, and say which of the two.

    Examples
    --------
    >>> places_by_values(["a", "b", "c"], [("N 47 12", "3", "F"), ("N 46 58", "4", "M")])
    {'a': 'values'}
    >>> places_by_values(["p", "q"], [("47.12345", "8.54321"), ("46.95121", "7.43899")])
    {'p': 'values', 'q': 'values'}
    """
    cells = [
        [cell for row in rows if (cell := unicodedata.normalize("NFKC", row[i]).strip())]
        for i in range(len(columns))
    ]
    found: dict[str, str] = {}
    for column, filled in zip(columns, cells, strict=True):
        if any(map(_PLACES.search, filled)) or _share(_MAYBE_PLACES, filled) >= _HALF:
            found[column] = "values"
        elif any(len(cell.split()) >= _MANY_WORDS for cell in filled):
            found[column] = "remarks"
    for i, j in pairwise(range(len(columns))):
        first, second = columns[i], columns[j]
        degrees = (_degrees(first, cells[i], 90) and _degrees(second, cells[j], 180)) or (
            _degrees(first, cells[i], 180) and _degrees(second, cells[j], 90)
        )
        metres = min(_share(_METRES, cells[i]), _share(_METRES, cells[j])) > _HALF
        if degrees or metres:
            found |= {first: "values", second: "values"}
    return found


def kept_back(
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    private: Iterable[str] = (),
    public: Iterable[str] = (),
    ours: Iterable[str] = (),
) -> dict[str, str]:
    """Find the columns of a table that must not leave for results and archive, and why (`WHY`).

    Those listed as private; and of those that are not listed as public, those whose name or values
    tell a place, or that may lead to one. Columns that are read as `ours` are told in any case.
    """
    listed, told = set(private), set(public)
    free = [
        (i, name) for i, name in enumerate(columns) if name and name not in {*listed, *told, *ours}
    ]
    values = places_by_values(
        [name for _, name in free], [[row[i] for i, _ in free] for row in rows]
    )
    found: dict[str, str] = {}
    for name in dict.fromkeys(columns):
        if name in listed:
            found[name] = "listed"
        elif name in told or name in ours:
            continue
        elif speaks_of_place(name):
            found[name] = "name"
        elif why := (values.get(name) or asked_about(name)):
            found[name] = why
    return found
