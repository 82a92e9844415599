"""Words of status as registers write them, in twelve languages, and what they mean here.

The languages are those of `credkit.files.monthnames`. A word that is not listed is never taken for an active card. A
person who has left has cards that have expired; one who is away for a time has suspended ones.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

from credkit.proposal.headerwords import header_words

ACTIVE, UNKNOWN = "active", "suspended"  # what a word means that nobody explained: it is not written to a target
_MEANINGS = {
    ACTIVE: "active aktiv aktive gueltig gultig valide valable actif active enservice actief geldig valid enabled "
    "inuse inumlauf freigegeben ingebruik normal activo activa alta dealta habilitado vigente valido "
    "attivo attiva abilitato ativo ativa gyldig gyldigt aktiivinen voimassa aktywny aktywna wazny wazna giltig aktivt",
    "lost": "lost verloren verlust abhanden abhandengekommen perdu perdue egare missing vermisst kwijt vermist perdido "
    "perdida extraviado perso persa smarrito smarrita extraviada tabt mistet bortkommet forlorad borttappad zgubiony "
    "zgubiona zagubiony zagubiona kadonnut kadotettu hukassa",
    "stolen": "stolen gestohlen diebstahl vole volee gestolen robado robada sustraido rubato rubata roubado roubada "
    "stjalet stjalen stulen skradziony skradziona varastettu",
    "suspended": "suspended inaktiv inactive inactif inactief deaktiviert disabled desactive ausgesetzt suspendu "
    "gedeactiveerd inoperative ruhend ruht pausiert beurlaubt elternzeit suspendue geschorst nonactief "
    "onhold dormant onleave inactivo inactiva suspendido suspendida deshabilitado inattivo inattiva sospeso sospesa "
    "disattivato inativo inativa suspenso suspensa desativado suspenderet inaktivt suspendert suspenderad vilande "
    "hvilende zawieszony zawieszona nieaktywny nieaktywna passiivinen keskeytetty",
    "blocked": "blocked gesperrt sperre bloque bloquee geblokkeerd locked revoked entzogen widerrufen "
    "retire revoque ingetrokken bloqueado bloqueada revocado bloccato bloccata revocato revogado spaerret sperret "
    "blokeret blokkert sparrad blockerad zablokowany zablokowana estetty lukittu",
    "expired": "expired abgelaufen expire expiree perime verlopen ungueltig ungultig invalide ongeldig invalid "
    "ausgeschieden ausgetreten beendet gekuendigt gekundigt ehemalig left terminated former ended parti quitte sorti "
    "uitdienst vertrokken beeindigd vencido vencida caducado caducada baja debaja scaduto scaduta cessato cessata "
    "dimesso expirado expirada desligado udlobet ugyldig utlopt utlopet utgatt utgangen ogiltig fratradt sluttet "
    "avgatt wygasly niewazny niewazna zwolniony zwolniona vanhentunut paattynyt",
    "returned": "returned zurueckgegeben zuruckgegeben rueckgabe ruckgabe rendu rendue restitue ingeleverd "
    "eingezogen handedin abgegeben restituee teruggegeven devuelto devuelta restituito restituita reso devolvido "
    "devolvida returneret afleveret returnert innlevert returnerad aterlamnad zwrocony zwrocona palautettu",
    "destroyed": "destroyed vernichtet zerstoert zerstort detruit detruite vernietigd defekt defect defectueux "
    "broken damaged kaputt entsorgt verschrottet destruido destruida defectuoso distrutto distrutta difettoso guasto "
    "danificado odelagt destrueret makulert forstord zniszczony zniszczona uszkodzony tuhottu rikki",
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
