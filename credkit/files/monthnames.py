"""Names of months, full and abbreviated, in twelve languages: which month each is.

No name is that of two months, so a file need not say in which language it is written.

Source: Unicode CLDR, Gregorian months, wide and abbreviated, as part of a date and alone. ``mrz``, and names without
their accents, are common practice, no source.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping

LANGUAGES: Mapping[str, str] = {
    "en": "jan january|feb february|mar march|apr april|may|jun june|jul july|aug august|sep sept september|"
    "oct october|nov november|dec december",
    "de": "jan januar|feb februar|mär märz mrz maerz|apr april|mai|jun juni|jul juli|aug august|sep sept september|"
    "okt oktober|nov november|dez dezember",
    "nl": "jan januari|feb februari|mrt maart|apr april|mei|jun juni|jul juli|aug augustus|sep sept september|"
    "okt oktober|nov november|dec december",
    "fr": "janv jan janvier|févr fév février|mars|avr avril|mai|juin|juil juillet|août|sept septembre|oct octobre|"
    "nov novembre|déc décembre",
    "es": "ene enero|feb febrero|mar marzo|abr abril|may mayo|jun junio|jul julio|ago agosto|"
    "sept sep set septiembre setiembre|oct octubre|nov noviembre|dic diciembre",
    "it": "gen gennaio|feb febbraio|mar marzo|apr aprile|mag maggio|giu giugno|lug luglio|ago agosto|set settembre|"
    "ott ottobre|nov novembre|dic dicembre",
    "pt": "jan janeiro|fev fevereiro|mar março|abr abril|mai maio|jun junho|jul julho|ago agosto|set setembro|"
    "out outubro|nov novembro|dez dezembro",
    "da": "jan januar|feb februar|mar marts|apr april|maj|jun juni|jul juli|aug august|sep september|okt oktober|"
    "nov november|dec december",
    "nb": "jan januar|feb februar|mar mars|apr april|mai|jun juni|jul juli|aug august|sep september|okt oktober|"
    "nov november|des desember",
    "sv": "jan januari|feb februari|mars|apr april|maj|juni|juli|aug augusti|sep september|okt oktober|nov november|"
    "dec december",
    "pl": "sty styczeń stycznia|lut luty lutego|mar marzec marca|kwi kwiecień kwietnia|maj maja|cze czerwiec czerwca|"
    "lip lipiec lipca|sie sierpień sierpnia|wrz wrzesień września|paź październik października|lis listopad listopada|"
    "gru grudzień grudnia",
    "fi": "tammi tammikuu tammikuuta|helmi helmikuu helmikuuta|maalis maaliskuu maaliskuuta|huhti huhtikuu huhtikuuta|"
    "touko toukokuu toukokuuta|kesä kesäkuu kesäkuuta|heinä heinäkuu heinäkuuta|elo elokuu elokuuta|"
    "syys syyskuu syyskuuta|loka lokakuu lokakuuta|marras marraskuu marraskuuta|joulu joulukuu joulukuuta",
}


def _without_accents(name: str) -> str:
    return "".join(sign for sign in unicodedata.normalize("NFD", name) if not unicodedata.combining(sign))


# The two digits of the month by its name in small letters, with and without accents, without a point.
MONTHS: Mapping[str, str] = {
    spelling: f"{month:02d}"
    for names in LANGUAGES.values()
    for month, of_month in enumerate(names.split("|"), 1)
    for name in of_month.split()
    for spelling in (name, _without_accents(name))
}
