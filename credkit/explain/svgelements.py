"""SVG elements: how every drawing writes them, their numbers and their texts.

Source: W3C Scalable Vector Graphics (SVG) 1.1; W3C XML 1.0 (escapes).
"""

from __future__ import annotations

Attribute = float | str | None


def escape_text(text: str) -> str:
    """``text`` as it may stand in an element, or in an attribute between double quotes.

    >>> escape_text('a < "b"')
    'a &lt; &quot;b&quot;'
    """
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")


def element(name: str, *content: str, **attributes: Attribute) -> str:
    """An element: ``content`` is written as it is; attributes are escaped, and left out where they are None.

    An underscore in the name of an attribute stands for a hyphen, one at its end for nothing.

    >>> element("rect", x=1.50, stroke_width=2, class_="edge")
    '<rect x="1.5" stroke-width="2" class="edge"/>'
    """
    named = [
        f' {key.rstrip("_").replace("_", "-")}="{escape_text(value) if isinstance(value, str) else format(value, "g")}"'
        for key, value in attributes.items()
        if value is not None
    ]
    begin = f"<{name}{''.join(named)}"
    return f"{begin}>{''.join(content)}</{name}>" if content else f"{begin}/>"


def text_element(x: float, y: float, text: str, **attributes: Attribute) -> str:
    """A line of text that begins, or has its middle, at ``x`` and stands on ``y``.

    >>> text_element(0, 12.5, "a < b", font_size=13)
    '<text x="0" y="12.5" font-size="13">a &lt; b</text>'
    """
    return element("text", escape_text(text), x=x, y=y, **attributes)
