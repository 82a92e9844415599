"""Geometries: sizes and free bytes against published ones, and every byte has one duty."""

from __future__ import annotations

import pytest

from credkit import DefinitionError
from credkit.cards.geometry import COMMON_NAMES, build_geometry, common_geometries


@pytest.mark.parametrize(
    ("name", "size", "free"),
    [
        ("sectors-5x4", 320, 14 * 16),  # common practice, no source: 5 × 4 blocks, 5 trailers, one of the manufacturer
        ("sectors-16x4", 1024, 752),  # common practice, no source: 47 blocks of 16
        ("sectors-32x4+8x16", 4096, 3440),  # common practice, no source
        ("type2-48", 64, 48),  # NFC Forum Type 2 Tag: 16 pages, the first four reserved (from memory)
        ("type2-144", 164, 144),  # its container says 12h × 8 bytes
        ("type5-1024x8", 8192, 8184),  # NFC Forum Type 5 Tag: MLEN 03FF × 8 behind a container of 8 bytes
    ],
)
def test_sizes(name: str, size: int, free: int) -> None:
    found = build_geometry(name)
    assert (found.size, found.free_bytes) == (size, free)


@pytest.mark.parametrize("name", COMMON_NAMES)
def test_every_byte_has_one_duty(name: str) -> None:
    found = build_geometry(name)
    reserved = [at for each in found.reserved for at in each.at]
    assert len(set(reserved)) == len(reserved)
    assert sorted((*reserved, *found.free_places)) == list(range(found.size))
    assert [block for blocks in found.sectors for block in blocks] == list(range(found.blocks))
    units = {found.unit_of(at) for at in found.free_places}
    assert all(isinstance(unit, tuple) for unit in units)


def test_larger_sectors_have_groups_of_five_blocks() -> None:
    """Common practice, no source: blocks 0-4, 5-9, 10-14 and the trailer."""
    found = build_geometry("sectors-32x4+8x16")
    assert [len(group) for group in found.groups(39)] == [5, 5, 5, 1]
    assert found.trailer(39) == 255
    assert found.describe_byte(4095) == "sector 39 block 255 byte 15"


def test_common_ones_are_listed_once() -> None:
    assert [each.name for each in common_geometries()] == list(COMMON_NAMES)
    assert all(each.source for each in common_geometries())


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("sectors-16x5", "a sector has 4 or 16 blocks, not 5"),
        ("sectors-65x4", "260 blocks, at most 256 can be addressed"),
        ("type2-50", "a data area has 48 to 2040 bytes, in steps of 8"),
        ("type2-40", "a data area has 48 to 2040 bytes"),
        ("type5-1x4", "1 blocks, expected 2 to 2048"),
        ("type5-9999x4", "9999 blocks, expected 2 to 2048"),
        ("sector-16x4", "no geometry is called 'sector-16x4'.*did you mean sectors-16x4"),
        ("", "no geometry is called ''"),
    ],
)
def test_structures_that_cannot_be(name: str, sentence: str) -> None:
    with pytest.raises(DefinitionError, match=sentence):
        build_geometry(name)
