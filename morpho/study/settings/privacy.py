"""Which columns of the specimen table tell where a specimen was found.

Such columns never reach the results: a published table must not lead a thief to a site.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from itertools import pairwise

__all__ = ["private_columns", "speaks_of_place"]

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


def private_columns(columns: Iterable[str], listed: Iterable[str] = ()) -> list[str]:
    """Pick the columns that must not leave for the results: those listed, or telling a place."""
    chosen = set(listed)
    return [column for column in columns if column in chosen or speaks_of_place(column)]
