"""Files on a FAT volume: found by their names, read to the length that their entries claim. Read only.

Source: Microsoft FAT specification (30 August 2005), sections 4, 6 and 7 (long names).
"""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Callable, Iterator
from datetime import datetime

import msgspec

from preflight.clean import clean
from preflight.devices.blocks import BadVolumeError
from preflight.devices.fat import LARGEST_FOLDER, FatVolume
from preflight.devices.fat_boot import DIRECTORY_ENTRY
from preflight.devices.fat_table import BAD

_LONG_NAME, _LABEL, _FOLDER = 0x0F, 0x08, 0x10
_LAST_PIECE = 0x40
_PIECE = struct.Struct("<B10s3x12s2x4s")
_MOST_PIECES = 20


class FatFile(msgspec.Struct, frozen=True, kw_only=True):
    """A file or folder: its whole name (from the card: clean it before it is shown), length, time, start.

    `modified` is local time without a zone, None where the entry tells none that exists.
    """

    name: str
    size: int
    modified: datetime | None
    cluster: int
    is_folder: bool


def find_files(fat: FatVolume, parts: tuple[Callable[[str], bool], ...]) -> list[FatFile]:
    """Files whose path from the root folder fits `parts`, one test of a name for each folder and the file.

    Raises BadVolumeError where a folder's chain of clusters is broken.
    """
    folders: list[int | None] = [None]
    for fits in parts[:-1]:
        folders = [
            entry.cluster
            for folder in folders
            for entry in entries(fat, folder)
            if entry.is_folder and fits(entry.name)
        ]
    return [
        entry
        for folder in folders
        for entry in entries(fat, folder)
        if not entry.is_folder and parts[-1](entry.name)
    ]


def entries(fat: FatVolume, folder: int | None) -> Iterator[FatFile]:
    """Files and folders in the folder that starts at a cluster; None is the root folder."""
    parts = fat.root_parts() if folder is None else _clusters(fat, folder, LARGEST_FOLDER)
    pieces: list[bytes] = []
    for part in parts:
        for at in range(0, len(part), DIRECTORY_ENTRY):
            entry = part[at : at + DIRECTORY_ENTRY]
            if entry[0] == 0:
                return
            if entry[0] == 0xE5:
                pieces = []
            elif entry[11] & 0x3F == _LONG_NAME:
                pieces = [*pieces[: _MOST_PIECES - 1], entry]
            elif entry[11] & _LABEL or entry[:2] in (b". ", b".."):
                pieces = []
            else:
                yield _file(fat, entry, pieces)
                pieces = []


def read_file(fat: FatVolume, file: FatFile, *, most: int) -> tuple[bytes, str]:
    """The last `most` bytes of a file, and a sentence on what is wrong with it ("" for nothing)."""
    if not file.size:
        return b"", ""
    size = fat.layout.cluster_size
    first = max(0, file.size - most) // size  # clusters before this one are passed over
    kept = bytearray()
    cluster, wrong = file.cluster, ""
    # A chain that runs into itself is found by a mark that is set anew at each power of two.
    mark, again = 0, 1
    needed = -(-file.size // size)
    for number in range(needed):
        if not 2 <= cluster <= fat.layout.clusters + 1 or cluster == mark or number >= fat.layout.clusters:
            wrong = (
                f"{clean(file.name, limit=80)} is {file.size} B long by its entry, but its clusters end "
                f"after {number * size} B: power went while it was written, or the card is damaged"
            )
            break
        if number >= first:
            kept += fat.read(fat.layout.cluster_offset(cluster), size)
        if number == again:
            mark, again = cluster, 2 * again
        cluster = fat.next_cluster(cluster)
    reached = min(file.size, first * size + len(kept)) - first * size
    return bytes(kept[:reached][-most:]), wrong


def _clusters(fat: FatVolume, cluster: int, most: int) -> Iterator[bytes]:
    seen: set[int] = set()
    while cluster < BAD[fat.type]:
        if not 2 <= cluster <= fat.layout.clusters + 1 or cluster in seen:
            raise BadVolumeError("a folder's chain of clusters is broken, leading nowhere or into itself")
        if len(seen) * fat.layout.cluster_size >= most:
            raise BadVolumeError("a folder is longer than a folder can be")
        seen.add(cluster)
        yield fat.read(fat.layout.cluster_offset(cluster), fat.layout.cluster_size)
        cluster = fat.next_cluster(cluster)


def _file(fat: FatVolume, entry: bytes, pieces: list[bytes]) -> FatFile:
    high, time, date, low, size = struct.unpack("<HHHHI", entry[20:32])
    return FatFile(
        name=_long_name(entry, pieces) or _short_name(entry),
        size=size,
        modified=_moment(date, time),
        cluster=low | high << 16 if fat.type == "FAT32" else low,
        is_folder=bool(entry[11] & _FOLDER),
    )


def _short_name(entry: bytes) -> str:
    name = bytes([0xE5]) + entry[1:8] if entry[0] == 0x05 else entry[:8]
    stem, ending = name.rstrip(b" ").decode("cp437"), entry[8:11].rstrip(b" ").decode("cp437")
    # Two bits say that a part was written in small letters.
    stem = stem.lower() if entry[12] & 0x08 else stem
    ending = ending.lower() if entry[12] & 0x10 else ending
    return f"{stem}.{ending}" if ending else stem


def _long_name(entry: bytes, pieces: list[bytes]) -> str:
    """The name in the pieces before an entry; "" where they are not all there or are another entry's."""
    total = 0
    for byte in entry[:11]:
        total = ((total & 1) << 7 | total >> 1) + byte & 0xFF
    count = len(pieces)
    text = b""
    for number, piece in zip(range(count, 0, -1), pieces, strict=True):
        order, *letters = _PIECE.unpack(piece)
        if order != (number | _LAST_PIECE if number == count else number) or piece[13] != total:
            return ""
        text = b"".join(letters) + text
    return text.decode("utf-16-le", "replace").partition("\0")[0]


def _moment(date: int, time: int) -> datetime | None:
    with contextlib.suppress(ValueError):
        return datetime(  # noqa: DTZ001 - FAT knows no zone
            (date >> 9) + 1980, date >> 5 & 15, date & 31, time >> 11, time >> 5 & 63, (time & 31) * 2
        )
    return None
