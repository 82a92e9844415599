"""Words of status as registers write them, in English, German, French and Dutch, and what they mean here.

A word that is not listed is never taken for an active card.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

from credkit.proposal.headerwords import header_words

ACTIVE, UNKNOWN = "active", "suspended"  # what a word means that nobody explained: it is not written to a target
_MEANINGS = {
    ACTIVE: "active aktiv gueltig gultig valide valable actif active enservice actief geldig valid enabled inuse "
    "inumlauf freigegeben ingebruik normal",
    "lost": "lost verloren verlust perdu perdue missing vermisst",
    "stolen": "stolen gestohlen vole volee gestolen",
    "suspended": "suspended inaktiv inactive inactif inactief deaktiviert disabled desactive ausgesetzt suspendu "
    "gedeactiveerd inoperative",
    "blocked": "blocked gesperrt bloque bloquee geblokkeerd locked revoked",
    "expired": "expired abgelaufen expire expiree perime verlopen ungueltig ungultig invalide ongeldig",
    "returned": "returned zurueckgegeben zuruckgegeben rueckgabe ruckgabe rendu rendue restitue ingeleverd "
    "eingezogen handedin",
    "destroyed": "destroyed vernichtet zerstoert zerstort detruit detruite vernietigd defekt defect defectueux",
}
STATUS_WORDS: Mapping[str, str] = {word: meaning for meaning, words in _MEANINGS.items() for word in words.split()}
_YES_OR_NO = {True: "1 j ja y yes o oui true wahr vrai x", False: "0 n nein no non nee false falsch"}
_ANSWERS: Mapping[str, bool] = {word: answer for answer, words in _YES_OR_NO.items() for word in words.split()}


def status_meaning(word: str, header: str = "") -> str | None:
    """What a cell under ``header`` means as a status; None where nothing says it.

    >>> status_meaning("Gültig"), status_meaning("ja", "gesperrt"), status_meaning("nein", "gesperrt")
    ('active', 'blocked', 'active')
    >>> status_meaning("A")
    """
    plain = "".join(header_words(word))
    of_column = STATUS_WORDS.get("".join(header_words(header)))
    if plain in STATUS_WORDS:
        return STATUS_WORDS[plain]
    if of_column is None or plain not in _ANSWERS:
        return None
    if _ANSWERS[plain]:
        return of_column
    return UNKNOWN if of_column == ACTIVE else ACTIVE
