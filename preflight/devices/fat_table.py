"""The file allocation table: what is free, counted by reading the table itself.

FSInfo's count is only advice and is not used here. A free entry is one whose value is zero; of FAT32 the top
four bits do not count (Microsoft FAT specification, section 4).
"""

from __future__ import annotations

import functools
import struct
from collections.abc import Generator

import msgspec

from preflight.devices.blocks import Blocks
from preflight.devices.fat_boot import FatLayout, table_bytes

CHUNK = 1 << 18
"""Bytes of FAT read at a time."""
LANES = 1 << 16
"""Bytes counted at a time; fits a processor's near cache."""

FAT32_MASK = 0x0FFFFFFF
BAD: dict[str, int] = {"FAT12": 0xFF7, "FAT16": 0xFFF7, "FAT32": 0x0FFFFFF7}
CLEAN: dict[str, int] = {"FAT16": 0x8000, "FAT32": 0x08000000}
NO_ERROR: dict[str, int] = {"FAT16": 0x4000, "FAT32": 0x04000000}


class TableScan(msgspec.Struct, frozen=True, kw_only=True):
    """What one pass over the FAT found.

    `free` and `bad` count clusters; `astray` counts entries that point outside the volume. `media_fits` says
    whether the first entry holds the boot sector's media byte, as it must. `clean` and `no_error` are the
    flags in the second entry (None for FAT12, which has none). `copies_differ` counts copies of the FAT that
    are not the same as the active one, 0 where they need not be.
    """

    free: int
    bad: int
    astray: int
    media_fits: bool
    clean: bool | None
    no_error: bool | None
    copies_differ: int


def scan_table(blocks: Blocks, layout: FatLayout) -> Generator[float, None, TableScan]:
    """Read the active FAT to its last cluster's entry, and its copies beside it; yields the share done.

    `blocks` starts where the volume starts. Raises `DeviceError` if the card fails in the middle.
    """
    length = table_bytes(layout.type, layout.clusters)
    copies = [n for n in range(layout.fats) if n != layout.active] if layout.mirrored else []
    differing: set[int] = set()
    count = _Fat32Count(layout.clusters) if layout.type == "FAT32" else _SmallCount(layout)
    active, other = bytearray(CHUNK), bytearray(CHUNK)
    head = b""
    for offset in range(0, length, CHUNK):
        size = min(CHUNK, length - offset)
        view = memoryview(active)[:size]
        blocks.read_into(layout.fat_offset(layout.active) + offset, view)
        for copy in copies:
            beside = memoryview(other)[:size]
            blocks.read_into(layout.fat_offset(copy) + offset, beside)
            # Two views compare byte by byte through Python objects; a bytearray and a view by memcmp.
            if other != active if size == CHUNK else bytes(beside) != bytes(view):
                differing.add(copy)
        if offset == 0:
            head = bytes(view[:8])
        count.add(view, offset)
        yield (offset + size) / length
    return _scanned(layout, count, head, len(differing))


def _scanned(layout: FatLayout, count: _Fat32Count | _SmallCount, head: bytes, differing: int) -> TableScan:
    free, bad, astray = count.total()
    if layout.type == "FAT32":
        first, second = (value & FAT32_MASK for value in struct.unpack("<II", head[:8]))
        media = 0x0FFFFF00 | layout.media
    elif layout.type == "FAT16":
        first, second = struct.unpack("<HH", head[:4])
        media = 0xFF00 | layout.media
    else:
        first, second = _twelve(head[:3])
        media = 0xF00 | layout.media
    clean, no_error = CLEAN.get(layout.type), NO_ERROR.get(layout.type)
    return TableScan(
        free=free,
        bad=bad,
        astray=astray,
        media_fits=first == media,
        clean=None if clean is None else bool(second & clean),
        no_error=None if no_error is None else bool(second & no_error),
        copies_differ=differing,
    )


class _SmallCount:
    """Counts a FAT12 or FAT16: at most 65526 entries, kept and then counted at once."""

    def __init__(self, layout: FatLayout) -> None:
        self._layout = layout
        self._data = bytearray()

    def add(self, view: memoryview, offset: int) -> None:
        self._data += view

    def total(self) -> tuple[int, int, int]:
        """Free, bad and astray clusters."""
        kind, clusters = self._layout.type, self._layout.clusters
        if kind == "FAT16":
            entries = struct.unpack(f"<{clusters + 2}H", self._data[: (clusters + 2) * 2])
        else:
            entries = _twelve(self._data)
        data = entries[2 : clusters + 2]
        bad = BAD[kind]
        astray = sum(1 for value in data if value == 1 or clusters + 1 < value < bad)
        return data.count(0), data.count(bad), astray


def _twelve(packed: bytes | bytearray) -> tuple[int, ...]:
    """12-bit entries, two in three bytes; a last odd one takes two."""
    even = packed + bytes(-len(packed) % 3)
    out: list[int] = []
    for low, middle, high in zip(even[0::3], even[1::3], even[2::3], strict=True):
        out += (low | (middle & 0x0F) << 8, middle >> 4 | high << 4)
    return tuple(out)


class _Fat32Count:
    """Counts a FAT32 of up to 2^28 entries, thousands at a time.

    A stretch of the table is taken as one long integer of 32-bit lanes. With the top four bits of each lane
    cleared, adding `2^28 - limit` to every lane carries into bit 28 exactly where the entry is at least
    `limit`; the carries are then counted. No lane can spill into the next.
    """

    def __init__(self, clusters: int) -> None:
        self._end = clusters + 2
        self._free = self._bad = self._astray = 0

    def add(self, view: memoryview, offset: int) -> None:
        if offset == 0:
            view = view[8:]  # the two reserved entries
        for at in range(0, len(view), LANES):
            self._add_lanes(view[at : at + LANES])

    def _add_lanes(self, view: memoryview) -> None:
        lanes = len(view) // 4
        number = int.from_bytes(view, "little")
        if number == 0:
            self._free += lanes
            return
        number &= _every(lanes, FAT32_MASK)
        used = _reaching(number, 1, lanes)
        self._free += lanes - used
        outside = _reaching(number, self._end, lanes)
        marks = _reaching(number, BAD["FAT32"], lanes) if outside else 0
        if marks:
            self._bad += marks - _reaching(number, BAD["FAT32"] + 1, lanes)
        self._astray += outside - marks + used - _reaching(number, 2, lanes)

    def total(self) -> tuple[int, int, int]:
        """Free, bad and astray clusters."""
        return self._free, self._bad, self._astray


@functools.lru_cache(maxsize=32)
def _every(lanes: int, value: int) -> int:
    return int.from_bytes(struct.pack("<I", value) * lanes, "little")


def _reaching(number: int, limit: int, lanes: int) -> int:
    """How many lanes hold at least `limit`."""
    return ((number + _every(lanes, 0x10000000 - limit)) & _every(lanes, 0x10000000)).bit_count()
