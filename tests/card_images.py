"""Card images by the usual formatters, what the usual checker says of them, flights that use them."""

from __future__ import annotations

import os
import re
import struct
import subprocess
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pytest
from tools import need_tool

from preflight.checks.base import Check, Context, run_check
from preflight.config.load import parse_flight
from preflight.readings import Finding, Reading

MIB = 1 << 20

FLIGHT = """
[flight]
name = "Dunlin 2"
release = 2031-03-09T09:00:00Z
power_up = "45 min"
checklist = "checklist.toml"
[site]
latitude = -41.5
longitude = 12.25
elevation = "40 m"
timezone = "UTC"
[balloon]
mass = "600 g"
burst_diameter = "6.0 m"
gas = "helium"
neck_lift = "1.60 kg"
[payload]
[[payload.package]]
name = "instrument pack"
mass = "0.9 kg"
[recovery]
search = "3 h"
[sample]
rate = "2 Hz"
format = "delimited"
length = "64 B"
[[sample.field]]
name = "counter"
role = "counter"
"""


def flight_text(volume: Path | str, *, formats: tuple[str, ...] = ("FAT16", "FAT32"), more: str = "") -> str:
    """A small flight file with a card and a logger that reads `formats`."""
    read = ", ".join(f'"{name}"' for name in formats)
    logger = f"[logger]\nformats = [{read}]\n" if formats else ""
    return f'{FLIGHT}[card]\nvolume = "{volume}"\n{logger}{more}'


def judge(check: Check, volume: Path | str, *, folder: Path | None = None, **more: object) -> Finding:
    """The finding of one check of the card for `volume`; `measured` and `stopped` go to its context."""
    context = {name: more.pop(name) for name in ("measured", "stopped") if name in more}
    flight = parse_flight(flight_text(volume, **more).encode(), "flight.toml")
    return run_check(check, Context(flight=flight, folder=folder or Path("/"), **context))


def readings(finding: Finding) -> dict[str, Reading]:
    return {reading.name: reading for reading in finding.readings}


def run(*words: object, ok: bool = True) -> str:
    """What a system tool prints; fails with its own words if it fails and shouldn't."""
    env = {**os.environ, "MTOOLS_SKIP_CHECK": "1", "TZ": "UTC", "LC_ALL": "C"}
    command = [str(word) for word in words]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", env=env, check=False)
    assert not ok or done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
    return done.stdout + done.stderr


def make_fat(path: Path, size: int, bits: int, *options: object) -> Path:
    """An image of `size` bytes formatted by mkfs.fat."""
    need_tool("mkfs.fat", "fsck.fat")
    with path.open("wb") as image:
        image.truncate(size)
    run("mkfs.fat", "-F", bits, "-n", "DUNLIN", "-i", "1A2B3C4D", *options, path)
    return path


def make_exfat(path: Path, size: int, *options: object) -> Path:
    need_tool("mkfs.exfat")
    with path.open("wb") as image:
        image.truncate(size)
    run("mkfs.exfat", *options, path)
    return path


def add_files(image: Path, files: dict[str, int]) -> None:
    """Copy files of these lengths into the root folder with mcopy."""
    need_tool("mcopy")
    for name, length in files.items():
        source = image.with_name(f"source-{name}")
        source.write_bytes(b"x" * length)
        run("mcopy", "-i", image, source, f"::{name}")
        source.unlink()


def fsck_counts(image: Path) -> tuple[int, int]:
    """Free clusters and all clusters, by what fsck.fat finds in the table."""
    told = re.search(r"(\d+)/(\d+) clusters", run("fsck.fat", "-nv", image, ok=False))
    assert told is not None
    return int(told[2]) - int(told[1]), int(told[2])


def patch(image: Path, offset: int, data: bytes) -> bytes:
    """Overwrite bytes in place; what was there."""
    with image.open("r+b") as file:
        file.seek(offset)
        before = file.read(len(data))
        file.seek(offset)
        file.write(data)
    return before


def geometry(image: Path) -> tuple[int, int, int, int]:
    """Sector size, reserved sectors, number of FATs and sectors per FAT, read as the specification says."""
    boot = image.read_bytes()[:512] if image.stat().st_size < MIB else _head(image)
    sector, _, reserved, fats, _, _, _, fat16 = struct.unpack_from("<HBHBHHBH", boot, 11)
    return sector, reserved, fats, fat16 or struct.unpack_from("<I", boot, 36)[0]


def fat_places(image: Path) -> list[int]:
    """Bytes where each copy of the FAT starts."""
    sector, reserved, fats, length = geometry(image)
    return [(reserved + n * length) * sector for n in range(fats)]


def set_entry(image: Path, bits: int, cluster: int, value: int, *, copies: tuple[int, ...] = (0, 1)) -> None:
    """Write one entry of a FAT16 or FAT32, in these copies."""
    code, width = ("<H", 2) if bits == 16 else ("<I", 4)
    for copy in copies:
        patch(image, fat_places(image)[copy] + cluster * width, struct.pack(code, value))


def _head(image: Path) -> bytes:
    with image.open("rb") as file:
        return file.read(512)


def with_mbr(path: Path, *volumes: tuple[int, Path], size: int = 0, first: int = 2048) -> Path:
    """An image whose MBR holds each (type byte, volume image) in turn."""
    sector = first
    table = bytearray()
    with path.open("wb") as image:
        for code, volume in volumes:
            data = volume.read_bytes()
            image.seek(sector * 512)
            image.write(data)
            table += struct.pack("<B3xB3xII", 0, code, sector, len(data) // 512)
            sector += len(data) // 512
        image.truncate(max(size, sector * 512))
        image.seek(446)
        image.write(bytes(table).ljust(64, b"\0") + b"\x55\xaa")
    return path


BASIC_DATA = bytes.fromhex("a2a0d0ebe5b9334487c068b6b72699c7")


def with_gpt(path: Path, *volumes: Path, sector: int = 512, count: int = 128) -> Path:
    """An image whose GPT (UEFI 2.10, section 5.3) holds each volume in turn, with its backup at the end."""
    at = MIB // sector
    entries = bytearray()
    places = []
    for number, volume in enumerate(volumes, 1):
        length = volume.stat().st_size // sector
        places.append((at * sector, volume))
        entries += struct.pack("<16s16sQQQ72s", BASIC_DATA, bytes([number] * 16), at, at + length - 1, 0, b"")
        at += length
    entries = entries.ljust(128 * count, b"\0")
    table_sectors = len(entries) // sector
    last = at + table_sectors

    def header(here: int, other: int, table: int) -> bytes:
        fixed = (b"EFI PART", 0x10000, 92, 0, 0, here, other, 2 + table_sectors, at - 1, b"\x07" * 16, table)
        raw = struct.pack("<8sIIIIQQQQ16sQIII", *fixed, count, 128, zlib.crc32(entries))
        return raw[:16] + struct.pack("<I", zlib.crc32(raw)) + raw[20:]

    with path.open("wb") as image:
        image.write(bytes(446) + struct.pack("<B3xB3xII", 0, 0xEE, 1, last) + bytes(48) + b"\x55\xaa")
        for place, data in ((sector, header(1, last, 2)), (2 * sector, entries), *places):
            image.seek(place)
            image.write(data.read_bytes() if isinstance(data, Path) else data)
        image.seek((last - table_sectors) * sector)
        image.write(entries)
        image.write(header(last, 1, last - table_sectors).ljust(sector, b"\0"))
    return path


def need_fuse(*tools: str) -> None:
    """Skip unless file systems served by programs can be mounted with these tools."""
    need_tool(*tools)
    if not os.access("/dev/fuse", os.R_OK | os.W_OK):
        pytest.skip("needs /dev/fuse: load the kernel's fuse module, or run where it may be used")


def need_loop(*tools: str) -> None:
    """Skip unless loop devices can be set up with these tools."""
    need_tool("losetup", *tools)
    if os.geteuid() != 0 or not os.access("/dev/loop-control", os.R_OK | os.W_OK):
        pytest.skip("needs loop devices: run as root where /dev/loop-control is there")


@contextmanager
def mounted(folder: Path, *command: object, unmount: tuple[str, ...] = ("umount",)) -> Iterator[Path]:
    """Mount with `command` (the folder is added), and always unmount."""
    folder.mkdir(exist_ok=True)
    run(*command, folder)
    try:
        yield folder
    finally:
        run(*unmount, folder)
        _await_server(folder)


def _await_server(folder: Path, within: float = 20.0) -> None:
    """A FUSE server may still be writing into the image when its folder is unmounted already."""
    ends = time.monotonic() + within
    while any(str(folder) in (one.info["cmdline"] or ()) for one in psutil.process_iter(["cmdline"])):
        assert time.monotonic() < ends, f"what serves {folder} does not end"
        time.sleep(0.02)


@contextmanager
def loop_device(image: Path, *options: str) -> Iterator[Path]:
    """A loop device on an image, always given back."""
    device = run("losetup", *options, "--show", "-f", image).strip()
    try:
        yield Path(device)
    finally:
        run("losetup", "-d", device)


def drain(generator: Iterator[Any], each: Callable[[Any], None] = lambda _: None) -> Any:
    """What a generator returns at its end; `each` is called with what it yields."""
    while True:
        try:
            each(next(generator))
        except StopIteration as end:
            return end.value
