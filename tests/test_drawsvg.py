"""Drawings as SVG: they are XML, hold what the picture holds, and say it in words; nothing is told by colour alone."""

from __future__ import annotations

import subprocess
import sys
from xml.etree import ElementTree

import pytest
from bitstring import Bits

from credkit import chain
from credkit.catalogue.registry import catalogue
from credkit.explain.drawing import Bar, Marks, Picture, layout_picture
from credkit.explain.svg import COLUMN, MARGIN, layout_svg, svg
from credkit.tables.layout import LayoutCodec

CHAIN = "hex:8/right-justified:26/wiegand-26"
GOOD, BAD = "02F764DD", "02F764DC"  # facility 123, number 45678 by the rule of SIA AC-01 (1996); its last bit inverted
FRAME = "10111101110110010011011100"
ACCOUNT = "4114360123456785"  # the WHATWG HTML standard's autofill example
SVG = "{http://www.w3.org/2000/svg}"
LAYOUTS = [e.name for e in catalogue() if e.usual == ("",) and isinstance(chain(e.name), LayoutCodec)]


def parsed(text: str | None) -> ElementTree.Element:
    assert text is not None
    return ElementTree.fromstring(text)


def words(root: ElementTree.Element) -> list[str]:
    return [each.text or "" for each in root.iter(f"{SVG}text")]


def drawn(text: str, written: str = CHAIN) -> str:
    found = chain(written).inspect(text)._repr_svg_()
    assert found is not None
    return found


def test_every_bit_stands_in_its_column() -> None:
    bits = Picture(title="", form="bits", units=tuple(FRAME))
    root = parsed(svg([bits]))
    found = [(float(each.attrib["x"]), each.text) for each in root.iter(f"{SVG}text") if each.get("font-size") == "14"]
    assert "".join(text or "" for _, text in found) == FRAME
    assert [round(x / COLUMN, 6) for x, _ in found] == [2 * bit + 0.5 for bit in range(26)]


def test_a_failing_bit_has_a_frame_a_triangle_and_a_word() -> None:
    """SIA AC-01 (1996): bit 25 is odd parity over bits 13-24; here it alone is inverted."""
    marks = (
        Marks(text="even-parity passed", at=(0,), covers=tuple(range(1, 13)), passed=True),
        Marks(text="odd-parity FAILED", at=(25,), covers=tuple(range(13, 25)), passed=False),
    )
    root = parsed(svg([Picture(title="", form="bits", units=tuple(FRAME), marks=marks)]))
    centre = 25.5 * 2 * COLUMN - COLUMN / 2
    thick = [each for each in root.iter(f"{SVG}rect") if "stroke:" in each.get("style", "")]
    assert len(thick) == 1
    assert float(thick[0].attrib["x"]) + float(thick[0].attrib["width"]) / 2 == pytest.approx(centre, abs=0.1)
    (key, mark) = sorted(  # the key's own triangle stands further left
        float(each.attrib["d"][1:].partition(",")[0]) for each in root.iter(f"{SVG}path") if each.get("style")
    )
    assert key != pytest.approx(mark, abs=1)
    assert mark == pytest.approx(centre, abs=0.1)
    said = root.attrib["aria-label"]
    assert "odd-parity FAILED (bit 25)" in said
    bold = [each.text for each in root.iter(f"{SVG}text") if each.get("font-weight") == "bold"]
    assert bold == ["odd-parity FAILED"]
    assert len(list(root.iter(f"{SVG}circle"))) == 24 + 1  # what two checks cover, and the key


def test_a_reading_draws_its_steps() -> None:
    root = parsed(drawn(BAD))
    assert [text for text in words(root) if "  (" in text] == [
        "hex:8  (8 characters)", "right-justified:26  (32 bits)", "wiegand-26  (26 bits)",
    ]  # fmt: skip
    assert {"facility=123", "number=45678", "odd-parity FAILED", "odd-parity of wiegand-26"} <= set(words(root))
    assert "FAILED" not in drawn(GOOD)


def test_a_reading_without_steps_is_not_drawn() -> None:
    assert chain("wiegand-26").inspect(Bits(f"0b{FRAME}"))._repr_svg_() is None


@pytest.mark.parametrize("name", LAYOUTS)
def test_every_layout_is_drawn_within_its_size(name: str) -> None:
    codec = chain(name)
    assert isinstance(codec, LayoutCodec)
    found = codec.layout._repr_svg_()
    assert found == layout_svg(codec.layout)
    root = parsed(found)
    assert sum(each.get("font-size") == "14" for each in root.iter(f"{SVG}text")) == codec.layout.length
    wide, high = float(root.attrib["width"]), float(root.attrib["height"])
    for group in root.findall(f"{SVG}g"):
        top = float(group.attrib["transform"].partition(",")[2].rstrip(")"))
        for each in group.iter(f"{SVG}rect"):
            assert float(each.attrib["x"]) >= -MARGIN
            assert float(each.attrib["x"]) + float(each.attrib["width"]) + MARGIN <= wide
        for each in group.iter(f"{SVG}text"):
            assert 0 < top + float(each.attrib["y"]) <= high
    for field in codec.layout.fields:
        assert field.name in root.attrib["aria-label"]
    for marks in layout_picture(codec.layout).marks:
        assert marks.text in words(root)


def test_account_numbers_are_masked() -> None:
    plain = drawn(ACCOUNT, "decimal:56/fields:number:56")
    assert ACCOUNT not in plain
    assert ACCOUNT not in "".join(words(parsed(plain)))
    assert bin(int(ACCOUNT))[2:] not in "".join(words(parsed(plain))), "bits give the number away as well"
    track = drawn(f";{ACCOUNT}=30121010000000000?", "strip:;,?/last-digits:8")
    for text in (track, "".join(words(parsed(track)))):
        assert ACCOUNT not in text
        assert "3012101" not in text


def test_texts_are_escaped() -> None:
    nasty = '<script>"&\x00\u202e</script>'
    bar = Bar(name=nasty, value=nasty, at=(0,))
    marks = Marks(text=nasty, at=(0,), passed=False)
    for units in ((nasty,), tuple(nasty)):
        text = svg([Picture(title=nasty, form="text", units=units, bars=(bar,), marks=(marks,))])
        root = parsed(text)
        assert "<script" not in text
        assert "\u202e" not in text
        assert {each.tag.removeprefix(SVG) for each in root.iter()} <= {"svg", "g", "text", "rect", "path", "circle"}


def test_a_drawing_alone_brings_its_paper_and_one_in_a_page_does_not() -> None:
    picture = Picture(title="", form="text", units=tuple("02"))
    assert "background:#ffffff" in svg([picture])
    assert "background" not in svg([picture], alone=False)
    assert "http" not in svg([picture], alone=False)


def test_drawings_are_loaded_only_when_they_are_asked_for() -> None:
    code = f"""
import sys
from credkit import chain
reading = chain({CHAIN!r}).inspect({GOOD!r})
before = "credkit.explain.drawing" in sys.modules or "credkit.explain.svg" in sys.modules
assert reading._repr_svg_().startswith("<svg")
print(before, "credkit.explain.svg" in sys.modules)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


def test_no_picture_is_an_empty_drawing() -> None:
    found = parsed(svg([]))
    assert found.tag.endswith("svg")
    assert len(found) == 0


def test_characters_that_are_wrong_beside_each_other_have_one_frame() -> None:
    """Frames that touch would hide the digits between them."""
    marks = Marks(text="form FAILED", at=(0, 1, 2, 5), covers=(), passed=False)
    shown = svg([Picture(title="", form="text", units=tuple("5283877"), marks=(marks,))])
    frames = [each for each in parsed(shown).iter(f"{SVG}rect") if "stroke:" in each.get("style", "")]
    assert [float(each.attrib["x"]) for each in frames] == pytest.approx([-1, 5 * COLUMN - 1])
    assert [float(each.attrib["width"]) for each in frames] == pytest.approx([3 * COLUMN + 2, COLUMN + 2])
