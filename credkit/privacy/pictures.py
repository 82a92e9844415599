"""Pictures: drawings of values, without anything that was made of an account number.

>>> from credkit import inspect
>>> drawn = draw_reading(inspect("decimal:56/fields:number:56", "4114360123456785"))
>>> drawn is not None and "012345" not in drawn
True
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from functools import partial

from credkit.core.codec import AnyCodec
from credkit.core.reading import AnyReading, Reading
from credkit.explain.drawing import Picture, pictures, pictures_of
from credkit.explain.svg import layout_svg, svg
from credkit.privacy.accounts import hide_all_but_account_ends, mask_accounts
from credkit.privacy.payment import payment_in_reading
from credkit.tables.layout import Layout


def draw_value(value: object) -> str | None:
    """A reading, a layout, or texts of one card with the chains that read them as SVG; None for anything else."""
    if isinstance(value, Reading):
        return draw_reading(value)
    if isinstance(value, tuple):
        return _draw_texts(value)
    return layout_svg(value) if isinstance(value, Layout) else None


def draw_reading(reading: AnyReading) -> str | None:
    """The steps of a reading as one drawing, account numbers masked; None for one that keeps no steps."""
    drawn = pictures_of(reading, reading.steps)
    if not drawn:
        return None
    secret = payment_in_reading(reading)
    return svg([mask_picture(each, secret=secret.has_account, only=secret.track_numbers) for each in drawn])


def _draw_texts(rows: Sequence[tuple[AnyCodec, str]]) -> str | None:
    """How each text of a card is read; None where one has an account number, which the others may give away."""
    readings = [codec.inspect(text) for codec, text in rows]
    if any(mask_accounts(text) != text for _, text in rows) or any(
        payment_in_reading(reading).has_account for reading in readings
    ):
        return None
    return svg(
        [
            picture
            for (codec, text), reading in zip(rows, readings, strict=True)
            for picture in pictures(codec, text, reading)
        ]
    )


def mask_picture(picture: Picture, *, secret: bool = False, only: Collection[str] = ()) -> Picture:
    """``picture`` or, where it is ``secret``, one without anything made of an account number.

    With ``only``, those of these numbers. This is done before drawing: a drawing may cut a number
    apart, and its bit numbers are no number.
    """
    if not secret:
        return picture
    hide = partial(hide_all_but_account_ends, only=only)
    if picture.form == "fields":
        pairs = [unit.partition("=") for unit in picture.units]
        units: Iterable[str] = (f"{name}{equals}{hide(value)}" for name, equals, value in pairs)
    elif picture.form == "text":
        units = hide("".join(picture.units))
    else:
        units = "*" * len(picture.units)
    bars = (
        replace(bar, value=hide(bar.value), name="*" if len(bar.name) == 1 else bar.name)
        for bar in picture.bars  # a bar over one character of a track has it as its name
    )
    marks = picture.marks
    if picture.form == "text":  # which characters are wrong says something about them
        marks = tuple(replace(each, at=tuple(range(len(picture.units)))) for each in marks)
    return replace(picture, units=tuple(units), bars=tuple(bars), marks=marks, characters=())
