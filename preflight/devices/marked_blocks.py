"""Blocks that say of themselves what they are: whose test they belong to and where they were written.

Read back, they tell a card that keeps a block under another address (it wraps around: a counterfeit) from
one that loses it and from plain errors. Each page begins with words in ASCII, so that nothing of a test can
be taken for a flight's data, whoever finds it.
"""

from __future__ import annotations

import hashlib
import struct
import zlib
from dataclasses import dataclass, field

PAGE = 4096
"""Bytes that carry a mark of their own."""
WORDS = b"PREFLIGHT TEST BLOCK, NOT DATA\r\n"
"""How every page begins."""

_SPAN = 1 << 20
_MARK = struct.Struct("<32sQQI")
_PLACE = struct.Struct("<QQ")


@dataclass
class Tally:
    """What was read back, in pages.

    `right` as written; `elsewhere` written under another address; `empty` only zeros or ones; `changed` all
    the rest. `first_wrong` is the first wrong page and `first_at` its address; `distance` is the smallest
    difference in bytes between the address a page was written to and the one it was found at.
    """

    right: int = 0
    elsewhere: int = 0
    empty: int = 0
    changed: int = 0
    first_at: int | None = None
    first_wrong: bytes = field(default=b"", repr=False)
    distance: int | None = None

    @property
    def wrong(self) -> int:
        return self.elsewhere + self.empty + self.changed


class Pattern:
    """What a test writes at each address, by its `seed` (64 bits) alone."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._base = hashlib.shake_128(struct.pack("<Q", seed)).digest(2 * _SPAN)

    def bytes_at(self, address: int, length: int) -> bytearray:
        """The `length` bytes from `address` on; both are multiples of PAGE for speed, but needn't be."""
        start = at = address - address % PAGE
        end = address + length
        out = bytearray()
        while at < end:
            stop = min(at - at % _SPAN + _SPAN, -(-end // PAGE) * PAGE)
            out += self._pages(at, stop - at)
            at = stop
        return out[address - start : end - start]

    def compare(self, address: int, data: bytes | memoryview, tally: Tally) -> None:
        """Count the pages of `data`, read back from `address` on (a multiple of PAGE), into `tally`."""
        expected = self.bytes_at(address, len(data))
        if bytes(data) == expected:  # a view compares byte by byte
            tally.right += -(-len(data) // PAGE)
            return
        for at in range(0, len(data), PAGE):
            page = bytes(data[at : at + PAGE])
            if page == expected[at : at + PAGE]:
                tally.right += 1
                continue
            if tally.first_at is None:
                tally.first_at, tally.first_wrong = address + at, page
            self._classify(address + at, page, tally)

    def _classify(self, address: int, page: bytes, tally: Tally) -> None:
        if page.count(0) == len(page) or page.count(0xFF) == len(page):
            tally.empty += 1
            return
        claimed = self._address_in(page)
        if claimed is None or claimed == address:
            tally.changed += 1
            return
        tally.elsewhere += 1
        distance = abs(claimed - address)
        tally.distance = distance if tally.distance is None else min(tally.distance, distance)

    def _pages(self, address: int, length: int) -> bytearray:
        # Each megabyte starts at another place of the base, so that no two are alike apart from the marks.
        shift = address // _SPAN * 4099 % _SPAN + address % _SPAN
        out = bytearray(self._base[shift : shift + length])
        for at in range(0, length, PAGE):
            place = _PLACE.pack(self.seed, address + at)
            _MARK.pack_into(out, at, WORDS, self.seed, address + at, zlib.crc32(place))
        return out

    def _address_in(self, page: bytes) -> int | None:
        """The address in a page's mark; None if it has none of this test."""
        if len(page) < _MARK.size:
            return None
        words, seed, address, checksum = _MARK.unpack_from(page)
        sound = words == WORDS and checksum == zlib.crc32(_PLACE.pack(seed, address))
        return int(address) if sound and seed == self.seed else None
