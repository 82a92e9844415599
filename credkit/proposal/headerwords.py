"""Headers of exports: what a column may hold by its name, in the twelve languages of `credkit.files.monthnames`.

A name proves nothing: what the cells hold is looked at, too (`credkit.proposal.columnroles`).

Source: common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

EXACT, WORD, PART = 3, 2, 1  # how well a name fits: it is the word; one of its words is; it contains it
SHORTEST_PART = 5  # letters of a word that is looked for inside others
GENERIC_WORDS = frozenset(
    [
        *("code", "codice", "codigo", "kod", "kode", "koodi", "nummer", "number", "numero", "numer", "nro", "tag"),
        *("data", "daten", "dati", "datos", "dados", "text", "serial"),
    ]
)
_WORDS = re.compile("[a-z0-9]+")
_LETTERS = str.maketrans({"ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "đ": "d", "°": " ", "'": " "})
_NUMBER = re.compile("(nr|no|num|numero|nummer|number|id|code|nos|kennung)$|^(n|no|num|numero|nr)(?=..)")

# By what a column holds: words without accents, in small letters and without what stands between them.
_BY_ROLE = {
    "person_id": "person personid personal personen pers matrikel matrikelnummer stammnummer dienstnummer "
    "mitarbeiter mitarbeitende inhaber benutzer nutzer traeger trager matricule personne salarie agent titulaire "
    "porteur utilisateur employe personeel personeels medewerker houder gebruiker werknemer employee staff holder "
    "cardholder user worker payroll member empleado trabajador legajo titular usuario matricola dipendente titolare "
    "utente intestatario funcionario colaborador utilizador matricula trabalhador medarbejder ansat ansatt bruger "
    "bruker kortholder indehaver innehaver medarbeider anst anstalld anstallning anvandare innehavare medarbetare "
    "pracownik pracownika ewid ewidencyjny posiadacz uzytkownik osoba henkilo henkilonumero tyontekija kayttaja "
    "haltija",
    "name": "name vorname nachname familienname nom prenom naam voornaam achternaam firstname lastname surname "
    "fullname givenname holdername email mail telefon telephone telefoon phone nombre apellido apellidos nome "
    "cognome nominativo sobrenome navn fornavn efternavn etternavn namn fornamn efternamn nazwisko imie nimi "
    "etunimi sukunimi correo telefono telefone puhelin sahkoposti",
    "credential_id": "karte karten ausweis credential credentialid card badge pas kaart carte badgeid cardid "
    "kartennr pasnr ndebadge transponder token medium media schluessel schlussel tag tarjeta credencial tessera "
    "cartao kort adgangskort passerkort adgangsbrik brik nyckelbricka karta karty identyfikator przepustka kortti "
    "kulkukortti tunniste kulkutunniste",
    "value": "value ausweisnummer kartennummer kartencode chipnummer chip uid seriennummer serial serialnumber csn "
    "code badgedata data rohdaten carddata cardnumber hex wiegand pas kaartnummer passnummer numerodecarte "
    "numerodebadge codebadge trame identifiant kennung transpondernummer transponder credential encoded kodierung "
    "nummer numero number tarjeta credencial codigo tessera codice cartao kort kode adgangskort passerkort brik "
    "karta karty kod identyfikator numer kortti kulkukortti tunniste koodi nro",
    "printed": "printed aufdruck bedruckt sichtnummer imprint embossed label grave imprime inscription opdruk "
    "gedrukt printednumber visible impreso grabado stampato impresso trykt patrykt tryckt nadruk nadrukowany "
    "painettu",
    "issue": "issue ausgabe ausgabenr kartenversion version edition exemplaire volgnummer uitgave",
    "kind": "kind type typ art soort kartenart kartentyp ausweisart cardtype badgetype technologie technology "
    "technologietype kaarttype genre tipo tecnologia rodzaj technologia tyyppi laji teknologi teknik",
    "status": "status state zustand etat statut toestand aktiv gesperrt sperre actif bloque actief geblokkeerd "
    "active blocked enabled badgestatus cardstatus kartenstatus estado situacion activo stato attivo situacao "
    "ativo tilstand tillstand sparret sparrad stan aktywna aktywny tila",
    "valid_from": "validfrom gueltigab gultigab gueltigvon gultigvon ab von beginn debut valabledu du "
    "debutvalidite geldigvan van ingang activated activation startdate start issued ausgegeben ausgabedatum from "
    "begindatum validodesde desde alta fechaalta inicio fechainicio validodal dal inizio datainizio decorrenza "
    "validode datainicio gyldigfra fra giltigfran giltigfrom fran waznaod waznyod od voimassaalkaen alkaen alkupvm",
    "valid_until": "validuntil validto gueltigbis gultigbis bis ablauf ablaufdatum ende fin valableau au "
    "finvalidite geldigtot tot einddatum expires expiry expiration expirydate expirationdate enddate end until "
    "validohasta hasta caducidad vencimiento baja fechabaja fechafin validofinoal finoal scadenza datafine al fine "
    "validoate ate validade datafim fim gyldigtil til udlob utlop giltigtill giltigtom till tom waznado waznydo do "
    "voimassaasti asti paattyy loppupvm",
    "replaces": "replaces ersatz ersatzfur ersatzfuer ersetzt remplace vervangt former formerbadge vorgaenger "
    "vorganger previous sustituye reemplaza sostituisce substitui erstatter ersatter zastepuje korvaa",
    "time": "time zeit zeitpunkt zeitstempel datum uhrzeit buchungszeit timestamp eventtime horodatage date heure "
    "dateheure tijd tijdstip datumtijd datetime when fecha hora fechahora data ora dataora dataeora datahora dato "
    "tid tidspunkt tidpunkt klokkeslaet klokkeslett klockslag godzina czas dataigodzina aika pvm paivamaara kello "
    "aikaleima ajankohta",
    "reader": "reader leser lesegeraet lesegerat tuer tur tor terminal geraet gerat lecteur porte acces appareil "
    "lezer deur poort toegang door device gate accesspoint readername portal lector puerta acceso lettore varco "
    "porta accesso cancello ingresso leitor acesso portao laeser dor port lasare dorr grind czytnik drzwi brama "
    "przejscie lukija ovi portti",
    "text": "text rohdaten rohwert kartennummer kartennr karte ausweis ausweisnummer code daten telegramm trame "
    "carte badge lu donnees brut pas kaart kaartnummer ruwedata eventdata data rawdata raw card cardnumber "
    "carddata credential uid value wiegand kennung transponder tarjeta tarjetaleida lectura datos codigo "
    "credencial tessera lettura dati codice cartao leitura dados kort laesning lesing lasning kode karta karty kod "
    "odczyt identyfikator kortti tunniste lukema koodi",
    "presentation": "presentation vorgang passage doorgang transaction",
    "expected": "expected soll erwartet attendu badgeattendu verwacht esperado atteso forventet forvantad "
    "oczekiwany odotettu",
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
