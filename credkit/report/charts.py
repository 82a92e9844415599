"""Charts: bars as inline SVG, small enough to be written by hand.

A charting library brings fonts, fixed colours and megabytes; these bars take the page's own ink, so
that they follow its light and dark, stretch to the width of a screen or of paper, and are told apart
by where they stand, not by colour. Words stand beside them, in HTML, where they do not stretch.

Source: W3C Scalable Vector Graphics (SVG) 1.1; WAI-ARIA 1.2, role img.
"""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from credkit.explain.svgelements import element

LEAST_BAR_PERCENT = 1.5  # percent of the height: a bar that is not nothing can be seen
SCALE_STEPS = (1, 2, 5)
SHARE_HEIGHTS = (10, 7, 4, 10)  # of 10: what tells shares apart without colour


def scale_end(largest: float) -> float:
    """The end of a scale that holds ``largest``: 1, 2 or 5 times a power of ten.

    >>> scale_end(0.34), scale_end(3743), scale_end(0)
    (0.5, 5000, 1)
    """
    if largest <= 0:
        return 1
    power = 1.0
    while power > largest:
        power /= 10
    while power * 10 < largest:
        power *= 10
    found = next((unit * power for unit in SCALE_STEPS if unit * power >= largest * 0.999999), 10 * power)
    return round(found) if found >= 1 else round(found, 12)


def draw_bars(values: Sequence[float | None], scale: float, description: str, lines: Sequence[float] = ()) -> Markup:
    """Upright bars up to ``scale``; nothing for None, and a thin line for nothing. ``description`` tells it in words.

    ``lines`` are places, counted in bars, where something changed.
    """
    width = len(values)
    drawn = [element("path", class_="grid", d=f"M0,0H{width}M0,50H{width}M0,100H{width}")]
    for place, value in enumerate(values):
        if value is not None:
            tall = max(100 * value / scale, LEAST_BAR_PERCENT) if value else 0.5
            drawn.append(element("rect", x=place + 0.08, y=100 - tall, width=0.84, height=tall))
    for line in lines:
        drawn += [element("path", class_=kind, d=f"M{line:g},0V100") for kind in ("halo", "change")]
    view = f"0 0 {max(width, 1)} 100"
    named = {"class_": "bars", "role": "img", "aria_label": description}
    return Markup(element("svg", *drawn, **named, viewBox=view, preserveAspectRatio="none"))


def draw_row_bar(value: float, scale: float) -> Markup:
    """A lying bar in a row of a table, beside its number: hidden from those who hear the number."""
    length = max(100 * value / scale, LEAST_BAR_PERCENT) if value else 0
    parts = element("path", class_="grid", d="M0,0V10M100,0V10"), element("rect", width=length, y=1, height=8)
    hidden = {"class_": "bar", "aria_hidden": "true"}
    return Markup(element("svg", *parts, **hidden, viewBox="0 0 100 10", preserveAspectRatio="none"))


def draw_shares(values: Sequence[int]) -> Markup:
    """A lying bar of the shares of a whole, in order, each of another height and shade: hidden, its numbers stand by.

    >>> draw_shares([1, 0, 3]).count("<rect")
    2
    """
    whole, start, drawn = sum(values), 0.0, [element("path", class_="grid", d="M0,0V10")]
    for place, value in enumerate(values):
        wide = 100 * value / (whole or 1)
        if value:
            tall = SHARE_HEIGHTS[min(place, len(SHARE_HEIGHTS) - 1)]
            drawn.append(element("rect", class_=f"share-{place}", x=start, y=10 - tall, width=wide, height=tall))
        start += wide
    hidden = {"class_": "bar", "aria_hidden": "true"}
    return Markup(element("svg", *drawn, **hidden, viewBox="0 0 100 10", preserveAspectRatio="none"))
