"""The card: what the flight occupies on it, when the card or the file is full. Bytes and seconds."""

from __future__ import annotations

import math

MAX_FAT_FILE = 2**32 - 1
"""Largest file on FAT12, FAT16 and FAT32, B (Microsoft FAT specification, 2005-08-30)."""

PLANNED_CLUSTER = 32 * 1024
"""B. Counted where the card has not been looked at: the default above 32 GB, the largest common one."""


def need(rate: float, length: float, seconds: float, *, cluster: float, file_limit: float | None) -> float:
    """B that samples of `length` B at `rate` Hz occupy after `seconds`.

    Whole clusters, in as many files as the file-size ceiling makes of them; the last cluster of each is
    taken as lost.
    """
    written = rate * length * seconds
    files = 1 if file_limit is None else max(1, math.ceil(written / file_limit))
    return math.ceil(written / cluster) * cluster + files * cluster


def full_after(free: float, rate: float, length: float) -> float:
    """s until `free` B are written."""
    return free / (rate * length)
