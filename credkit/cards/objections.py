"""Objections: what speaks against the content of a record, before a card is written and after it was read back.

    x@example.org  →  bytes  →  read as the card will be read  →  no-scheme (care)  →  the row is refused

`content_notes` is the one rule: `credkit card check` notes what it gives, and `credkit card data` refuses the row
that it gives anything for, except what the plan accepts, which then is a note of both.

Source: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

from credkit.cards.plan import CardRecord, RecordContent
from credkit.core.errors import EncodeError
from credkit.core.reading import Note
from credkit.privacy.accounts import holds_account, holds_track

PAYMENT_NOTE = "payment-data"
TRACK_TEXT = "a payment track, which must not be kept after authorisation"
ACCOUNT_TEXT = "digits that look like a payment account number"


class AdmittedContent(NamedTuple):
    """What a record says that may be written, and the notes on it that the plan accepts."""

    value: Any
    notes: tuple[Note, ...]


def content_notes(record: CardRecord, content: RecordContent, row: Mapping[str, str] | None = None) -> tuple[Note, ...]:
    """What is to be noted of a record beside its value: of level info where the plan accepts it.

    ``content`` is what its bytes mean, ``row`` the row of the credentials that it was written from.

    >>> from credkit.catalogue.registry import chain
    >>> contact = CardRecord(name="contact", size=10, codec=chain("ndef:contact:uri"), columns={"contact": "email"})
    >>> [note.kind for note in content_notes(contact, contact.decode(contact.encode({"email": "x@y.z"})))]
    ['no-scheme']
    """
    found = [
        replace(
            note, text=f"record {record.name}: {note.text}", level="info" if note.kind in record.accept else note.level
        )
        for note in content.notes
        if note.level != "info"
    ]
    return (*found, *_payment_notes(record, content, row or {}))


def admit_content(record: CardRecord, data: bytes, row: Mapping[str, str]) -> AdmittedContent:
    """What the bytes of a record say, which a card gets; raises `EncodeError` for a note that the plan does not accept.

    Raises it for bytes that cannot be read back, too. The value is None where the record has no chain.

    >>> from credkit.catalogue.registry import chain
    >>> row = {"email": "x@y.z"}
    >>> contact = CardRecord(name="contact", size=10, codec=chain("ndef:contact:uri"), columns={"contact": "email"})
    >>> admit_content(contact, contact.encode(row), row)
    Traceback (most recent call last):
    credkit.EncodeError: record contact, column email: record 1 (contact) begins with no scheme such as mailto: \
or https:, so that nothing can open it (if it is meant, write accept = ["no-scheme"] into [records.contact] of the plan)
    >>> admitted = admit_content(replace(contact, accept=("no-scheme",)), contact.encode(row), row)
    >>> admitted.value, [note.level for note in admitted.notes]
    (Fields(contact='x@y.z'), ['info'])
    """
    if record.codec is None:
        return AdmittedContent(None, ())
    content = record.decode(data)
    if content.fault:
        raise EncodeError(
            f"{record.description}: what is written could not be read back: {record.codec.decode_error(content.fault)}"
        )
    notes = content_notes(record, content, row)
    for note in notes:
        if note.level != "info":
            raise EncodeError(
                f"{note.text.replace(f'record {record.name}', record.description, 1)} "
                f"({_describe_remedy(record, note)})"
            )
    return AdmittedContent(content.value, notes)


def _describe_remedy(record: CardRecord, note: Note) -> str:
    """What can be done where the content is as it should be."""
    table = f"[records.{record.name}]"
    if note.kind != PAYMENT_NOTE:
        return f'if it is meant, write accept = ["{note.kind}"] into {table} of the plan'
    if TRACK_TEXT in note.text:
        return "it is never written"
    return f'if they are another number, write not_payment = "what they are" into {table} of the plan'


def _payment_notes(record: CardRecord, content: RecordContent, row: Mapping[str, str]) -> Iterator[Note]:
    """A note of payment data in the columns of the record, or in a text that it was read from or as."""
    columns = [row[column] for column in record.columns.values() if column in row]
    texts = dict.fromkeys((*columns, *content.texts, *_texts_in(content.value)))
    has_track = any(map(holds_track, texts))
    if has_track or (not record.not_payment and any(map(holds_account, texts))):
        what = TRACK_TEXT if has_track else ACCOUNT_TEXT
        yield Note(kind=PAYMENT_NOTE, level="refuse", text=f"record {record.name} holds {what}")


def _texts_in(value: Any) -> list[str]:
    """The texts in a value, which is one, or has fields."""
    items = value.values() if isinstance(value, Mapping) else [value]
    return [item for item in items if isinstance(item, str)]
