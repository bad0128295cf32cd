"""Capacity classes of SD cards, and the file system that the SD standard puts on each.

Sources: SD Physical Layer Simplified Specification 4.10, section 3.3.2 (capacities; SDUC from version 7.0
on); SD Specifications Part 2, File System (file systems).
"""

from __future__ import annotations

from typing import Literal

SdClass = Literal["SDSC", "SDHC", "SDXC", "SDUC"]

LARGEST: dict[SdClass, int] = {"SDSC": 2**31, "SDHC": 2**35, "SDXC": 2**41, "SDUC": 2**47}
"""Most bytes of each class, the limit itself included."""

STANDARD_TYPES: dict[SdClass, tuple[str, ...]] = {
    "SDSC": ("FAT12", "FAT16"),
    "SDHC": ("FAT32",),
    "SDXC": ("exFAT",),
    "SDUC": ("exFAT",),
}


def sd_class(size: int) -> SdClass:
    """The class of a card of `size` bytes."""
    return next((name for name, largest in LARGEST.items() if size <= largest), "SDUC")
