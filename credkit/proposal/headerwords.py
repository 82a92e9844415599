"""Headers of exports: what a column may hold by its name, in English, German, French and Dutch.

A name proves nothing: what the cells hold is looked at, too (`credkit.proposal.columnroles`).

Source: common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

EXACT, WORD, PART = 3, 2, 1  # how well a name fits: it is the word; one of its words is; it contains it
SHORTEST_PART = 5  # letters of a word that is looked for inside others
GENERIC_WORDS = frozenset(["code", "nummer", "number", "numero", "data", "daten", "text", "tag", "serial"])
_WORDS = re.compile("[a-z0-9]+")
_LETTERS = str.maketrans({"ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "đ": "d", "°": " ", "'": " "})
_NUMBER = re.compile("(nr|no|num|numero|nummer|number|id|code|nos|kennung)$|^(n|no|num|numero|nr)(?=..)")

# By what a column holds: words without accents, in small letters and without what stands between them.
_BY_ROLE = {
    "person_id": "person personid personal personen pers mitarbeiter mitarbeitende inhaber benutzer nutzer "
    "traeger trager matricule personne salarie agent titulaire porteur utilisateur employe "
    "personeel personeels medewerker houder gebruiker werknemer employee staff holder cardholder "
    "user worker payroll member",
    "name": "name vorname nachname familienname nom prenom naam voornaam achternaam firstname lastname "
    "surname fullname givenname holdername email mail telefon telephone telefoon phone",
    "credential_id": "karte karten ausweis credential credentialid card badge pas kaart carte badgeid cardid "
    "kartennr pasnr ndebadge transponder token medium media schluessel schlussel tag",
    "value": "value ausweisnummer kartennummer kartencode chipnummer chip uid seriennummer serial "
    "serialnumber csn code badgedata data rohdaten carddata cardnumber hex wiegand pas "
    "kaartnummer passnummer numerodecarte numerodebadge codebadge trame identifiant kennung "
    "transpondernummer transponder credential encoded kodierung nummer numero number",
    "printed": "printed aufdruck bedruckt sichtnummer imprint embossed label grave imprime inscription "
    "opdruk gedrukt printednumber visible",
    "issue": "issue ausgabe ausgabenr kartenversion version edition exemplaire volgnummer uitgave",
    "kind": "kind type typ art soort kartenart kartentyp ausweisart cardtype badgetype technologie "
    "technology technologietype kaarttype genre",
    "status": "status state zustand etat statut toestand aktiv gesperrt sperre actif bloque actief "
    "geblokkeerd active blocked enabled badgestatus cardstatus kartenstatus",
    "valid_from": "validfrom gueltigab gultigab gueltigvon gultigvon ab von beginn debut valabledu du "
    "debutvalidite geldigvan van ingang activated activation startdate start issued ausgegeben "
    "ausgabedatum from begindatum",
    "valid_until": "validuntil validto gueltigbis gultigbis bis ablauf ablaufdatum ende fin valableau au "
    "finvalidite geldigtot tot einddatum expires expiry expiration expirydate expirationdate "
    "enddate end until",
    "replaces": "replaces ersatz ersatzfur ersatzfuer ersetzt remplace vervangt former formerbadge vorgaenger "
    "vorganger previous",
    "time": "time zeit zeitpunkt zeitstempel datum uhrzeit buchungszeit timestamp eventtime horodatage "
    "date heure dateheure tijd tijdstip datumtijd datetime when",
    "reader": "reader leser lesegeraet lesegerat tuer tur tor terminal geraet gerat lecteur porte acces "
    "appareil lezer deur poort toegang door device gate accesspoint readername portal",
    "text": "text rohdaten rohwert kartennummer kartennr karte ausweis ausweisnummer code daten telegramm trame "
    "carte badge lu donnees brut pas kaart kaartnummer ruwedata eventdata data rawdata raw card "
    "cardnumber carddata credential uid value wiegand kennung transponder",
    "presentation": "presentation vorgang passage doorgang transaction",
    "expected": "expected soll erwartet attendu badgeattendu verwacht",
}
HEADER_WORDS: Mapping[str, frozenset[str]] = {role: frozenset(words.split()) for role, words in _BY_ROLE.items()}


def header_words(name: str) -> list[str]:
    """The words of a header, in small letters and without accents.

    >>> header_words("N° de badge"), header_words("Gültig-ab")
    (['n', 'de', 'badge'], ['gultig', 'ab'])
    """
    plain = unicodedata.normalize("NFD", name.casefold().translate(_LETTERS))
    return _WORDS.findall("".join(char for char in plain if not unicodedata.combining(char)))


def score_header(name: str, role: str) -> int:
    """How well a header fits what a column may hold: from 0, not at all, to 3.

    >>> score_header("Personalnr", "person_id"), score_header("gültig bis", "valid_until")
    (3, 3)
    >>> score_header("Preis", "value")
    0
    >>> score_header("Badge Status", "status"), score_header("Hauptausweis", "credential_id")
    (3, 1)
    """
    known, words = HEADER_WORDS[role], header_words(name)
    whole = "".join(words)
    bare = _NUMBER.sub("", whole)
    if whole in known or (bare in known and bare):
        return EXACT
    if any(word in known or _NUMBER.sub("", word) in known for word in words):
        return WORD
    return PART if any(len(word) >= SHORTEST_PART and word in whole for word in known) else 0


def names_subject(name: str, *roles: str) -> bool:
    """Whether a header names a card, a holder or a reader, not only a number or a code of whatever it is.

    >>> names_subject("Ausweisnummer", "value"), names_subject("Code", "value"), names_subject("Artikelnr", "value")
    (True, False, False)
    """
    if set(header_words(name)) <= GENERIC_WORDS:
        return False
    return any(score_header(name, role) >= WORD for role in roles)
