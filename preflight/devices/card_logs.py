"""The logger's files on a card: image, block device or mount, found by a pattern and read within bounds."""

from __future__ import annotations

import fnmatch
import os
import re
from datetime import datetime
from pathlib import Path

import msgspec

from preflight.clean import clean
from preflight.devices.blocks import GoneError, NoRightError
from preflight.devices.fat import FatVolume
from preflight.devices.fat_files import find_files, read_file
from preflight.devices.volume import Volume, open_volume

MOST_BYTES = 64 * 1024 * 1024
"""Bytes read of all files together; of more, the latest are read."""
MOST_FILES = 10_000


class CardLog(msgspec.Struct, frozen=True, kw_only=True):
    """One of the logger's files: `name` cleaned, `data` its end, `whole` whether that is all of it."""

    name: str
    size: int
    modified: datetime | None
    data: bytes
    whole: bool


class CardLogs(msgspec.Struct, frozen=True, kw_only=True):
    """The files that fit, oldest first, and what is wrong with them in sentences."""

    files: tuple[CardLog, ...]
    troubles: tuple[str, ...] = ()
    identity: str | None = None


class _Found(msgspec.Struct, frozen=True, kw_only=True):
    name: str
    size: int
    modified: datetime | None
    where: object

    @property
    def order(self) -> tuple[object, ...]:
        # A logger without a clock stamps all its files alike: then their numbers tell.
        numbers = [
            part.zfill(12) if part.isdigit() else part for part in re.split(r"(\d+)", self.name.casefold())
        ]
        return (self.modified or datetime.min, numbers)  # noqa: DTZ901 - only compared with its like


def read_logs(path: Path, pattern: str) -> CardLogs:
    """The files that fit `pattern` ("LOG*.CSV", "DATA/*.TXT"; case does not matter) on the card at `path`.

    Raises DeviceError as `open_volume` does, BadVolumeError for broken folders, NoRightError where the files
    can only be read once the card is mounted.
    """
    with open_volume(path) as volume:
        fat = volume.content
        if isinstance(fat, FatVolume):
            return _from_fat(fat, pattern, volume.identity)
        return _from_mount(volume, pattern)


def _fits(pattern: str, name: str) -> bool:
    return fnmatch.fnmatchcase(name.casefold(), pattern.casefold())


def _from_fat(fat: FatVolume, pattern: str, identity: str | None) -> CardLogs:
    parts = tuple((lambda name, part=part: _fits(part, name)) for part in pattern.split("/"))
    found = [
        _Found(name=file.name, size=file.size, modified=file.modified, where=file)
        for file in find_files(fat, parts)[:MOST_FILES]
    ]
    logs: list[CardLog] = []
    troubles: list[str] = []
    room = MOST_BYTES
    for each in sorted(found, key=lambda each: each.order, reverse=True):
        data, wrong = read_file(fat, each.where, most=room) if room else (b"", "")  # type: ignore[arg-type]
        troubles += [wrong] if wrong else []
        room -= len(data)
        logs.append(_log(each, data))
    return CardLogs(files=tuple(reversed(logs)), troubles=tuple(troubles), identity=identity)


def _log(found: _Found, data: bytes) -> CardLog:
    return CardLog(
        name=clean(found.name, limit=80),
        size=found.size,
        modified=found.modified,
        data=data,
        whole=len(data) == found.size,
    )


def _from_mount(volume: Volume, pattern: str) -> CardLogs:
    if volume.mount is None:
        raise NoRightError(
            "the card is not mounted, and files on this kind of volume are read only where it is: mount it"
        )
    point = volume.mount.point
    logs: list[CardLog] = []
    room = MOST_BYTES
    try:
        found = _in_folder(point, pattern.split("/"))
        for each in sorted(found[:MOST_FILES], key=lambda each: each.order, reverse=True):
            with open(str(each.where), "rb") as file:
                file.seek(max(0, each.size - room))
                data = file.read(min(room, each.size))
            room -= len(data)
            logs.append(_log(each, data))
    except PermissionError as error:
        raise NoRightError(f"no right to read the files on {clean(str(point))}") from error
    except OSError as error:
        raise GoneError(
            f"Reading the files on {clean(str(point))} stopped: {error.strerror or type(error).__name__}. "
            "Push the card firmly home and run this check again"
        ) from error
    return CardLogs(files=tuple(reversed(logs)), identity=volume.identity)


def _in_folder(folder: Path, parts: list[str]) -> list[_Found]:
    found: list[_Found] = []
    with os.scandir(folder) as inside:
        for entry in inside:
            if not _fits(parts[0], entry.name):
                continue
            if len(parts) > 1:
                if entry.is_dir(follow_symlinks=False):
                    found += _in_folder(Path(entry.path), parts[1:])
            elif entry.is_file(follow_symlinks=False):
                status = entry.stat(follow_symlinks=False)
                modified = datetime.fromtimestamp(status.st_mtime)  # noqa: DTZ006 - only compared
                found.append(
                    _Found(name=entry.name, size=status.st_size, modified=modified, where=entry.path)
                )
    return found
