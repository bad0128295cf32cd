"""Whether a check may write files of its own to the card, and what is done with what it wrote.

Only a mounted volume is written to, and only one that the system calls removable, an image file, or, in a
built-in reader that calls its card fixed, the one whose label and size the crew typed into the flight file.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Generator, Iterable, Iterator
from pathlib import Path

from preflight.checks.base import Context, Run
from preflight.checks.card import card_path, compare_identity, known_identity, size_text
from preflight.checks.judgement import Judgement
from preflight.clean import clean
from preflight.devices.blocks import BadVolumeError, NoRightError
from preflight.devices.marked_blocks import Pattern, Tally
from preflight.devices.mounts import Mount, locked, mount_at, mount_of
from preflight.devices.own_file import NotAllowedError, OwnFile, Place
from preflight.devices.removable import Medium, medium_of
from preflight.devices.volume import Volume, open_volume
from preflight.errors import DeviceError
from preflight.readings import Progress

FROM_MEMORY = (
    "What was read back may have come from this machine's memory and not from the card, as this system gives "
    "no way past it here"
)

_TYPED = re.compile(r"(.*\S)\s+([0-9.]+)\s?([MGT]i?B)")
_UNITS = {"MB": 1e6, "GB": 1e9, "TB": 1e12, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}
_SMALLER, _LARGER = 0.85, 1.02
"""A volume's size as a share of what is printed on its card. Common practice, no source."""


Work = Callable[[Judgement, Place, Context], Generator[Progress, None, None]]
"""What a check does in the card's folder; it leaves what it found in the judgement."""


def on_card(judgement: Judgement, context: Context, work: Work) -> Run:
    """Do `work` in the card's folder, if own files may be written there; the finding.

    What an interrupted run left there is removed first. Trouble of the card is a fault, a missing
    right a gap.
    """
    yield Progress("Opening the card")
    try:
        mount = _mount(judgement, context)
        if mount is not None:
            with Place(mount) as place:
                _clear_leftovers(judgement, place)
                yield from work(judgement, place, context)
    except (NotAllowedError, NoRightError) as error:
        judgement.gaps.append(f"{error}. Nothing was written")
    except DeviceError as error:
        judgement.faults.append(str(error))
    return judgement.finding()


def _clear_leftovers(judgement: Judgement, place: Place) -> None:
    names = place.leftovers()
    for name in names:
        place.remove(name)
    if names:
        shown = clean(names[0]) if len(names) == 1 else f"{len(names)} files from {clean(names[0])} on"
        judgement.remarks.append(f"Removed what a test that was interrupted left on the card: {shown}")


def remove(files: Iterable[OwnFile], judgement: Judgement) -> None:
    """Take own files off the card, or say that they may still be there."""
    left: list[str] = []
    for file in files:
        try:
            file.remove()
        except DeviceError:
            left.append(file.name)
    if left:
        judgement.remarks.append(
            f"{left[0] if len(left) == 1 else f'{len(left)} test files from {left[0]} on'} may still be on "
            "the card: every block of it says that it is no data, and this check removes it when it runs "
            "again with that card"
        )


def read_all_back(file: OwnFile, pattern: Pattern, base: int, tally: Tally) -> Iterator[int]:
    """Compare an own file, written from `base` on, with its pattern; yields the bytes read so far."""
    offset = 0
    for offset, data in file.read_back():
        pattern.compare(base + offset, data, tally)
        offset += len(data)  # noqa: PLW2901 - where the next one would start
        yield offset
    # A file that ends before what was written to it has lost the rest.
    for missing in range(offset, file.size, 4096):
        pattern.compare(base + missing, bytes(min(4096, file.size - missing)), tally)


def _mount(judgement: Judgement, context: Context) -> Mount | None:
    """Where the card is mounted; None, and the reason, unless own files may be written there."""
    path = card_path(context)
    mount, label, sizes = _look(judgement, context, path)
    if judgement.faults:
        return None
    if mount is None:
        judgement.gaps.append(
            f"the card is not mounted, so nothing was written: {clean(str(path))}. Mount it, and give its "
            "mount point as volume in [card]"
        )
        return None
    medium = medium_of(mount)
    refused = _refused(mount, medium, context, label or medium.label, (*sizes, medium.size))
    if refused:
        judgement.gaps.append(f"{refused}. Nothing was written")
        return None
    if mount.read_only:
        judgement.faults.append(
            f"The card is mounted read-only at {clean(str(mount.point))}: move the slide on the card, "
            "put it in again, and run this check again"
        )
        return None
    if medium.kind == "image":
        judgement.remarks.append(
            f"This is {medium.why}, no card: what was measured says how fast this machine is, not a card"
        )
    return mount


def _look(judgement: Judgement, context: Context, path: Path) -> tuple[Mount | None, str, tuple[int, ...]]:
    """Where the volume is mounted, its label and its sizes, as far as they can be read."""
    try:
        with open_volume(path) as volume:
            compare_identity(judgement, volume, context)
            _same_card(judgement, volume, context)
            return volume.mount, volume.label, (volume.size or 0, volume.capacity)
    except BadVolumeError as error:
        if error.damaged:
            raise
        # Not a file system that is read here: card-format names it. What is mounted can be written to.
        if known_identity(context) is not None:
            judgement.gaps.append("whether this is still the card checked before: no FAT or exFAT is on it")
    with contextlib.suppress(OSError):
        return (mount_at(path) if path.is_dir() else mount_of(path)), "", ()
    return None, "", ()


def _same_card(judgement: Judgement, volume: Volume, context: Context) -> None:
    if known_identity(context) is None and volume.identity is not None:
        judgement.read("card.identity", volume.identity)
    if volume.mount is not None and locked(volume.path):
        judgement.faults.append(
            "The card is write-protected: move the slide on the card, put it in again, and run this check "
            "again"
        )


def _refused(mount: Mount, medium: Medium, context: Context, label: str, sizes: tuple[int, ...]) -> str:
    """Why nothing may be written there, "" if it may."""
    point = clean(str(mount.point))
    if medium.kind in ("removable", "image"):
        return ""
    if medium.kind == "system":
        return (
            f"{point} is on this machine's own disk ({medium.why}), which is never written to: "
            "correct volume in [card]"
        )
    if medium.kind == "unknown":
        return (
            f"{point} may be no card ({medium.why}), so it was left alone: use a reader that the system knows"
        )
    typed = context.flight.card.fixed_reader if context.flight.card is not None else None
    if typed is None:
        return (
            f"{point} is not removable, says the system ({medium.why}). If it is the card in a "
            "built-in reader, read label and size off the card and type them as fixed_reader in [card], such "
            'as fixed_reader = "FULMAR 32 GB"'
        )
    if not _is_typed(typed, label, sizes):
        there = f'"{clean(label or "NO NAME", limit=40)}" of {size_text(max(sizes, default=0))}'
        return (
            f"{point} is not removable, says the system ({medium.why}), and fixed_reader in [card] "
            f'names "{clean(typed, limit=60)}" while {there} is there: check which volume this is'
        )
    return ""


def _is_typed(typed: str, label: str, sizes: tuple[int, ...]) -> bool:
    """Whether the typed label and size are those of the volume or of its card."""
    told = _TYPED.fullmatch(typed.strip())
    if told is None:
        return False
    if told[1].casefold() != (label.strip() or "NO NAME").casefold():
        return False
    wanted = float(told[2]) * _UNITS[told[3]]
    return any(wanted * _SMALLER <= size <= wanted * _LARGER for size in sizes)
