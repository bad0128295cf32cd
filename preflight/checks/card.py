"""What the checks of the card share: telling it from another, judging its table."""

from __future__ import annotations

from collections.abc import Callable, Generator
from pathlib import Path

from preflight.checks.base import Context, Run
from preflight.checks.judgement import Judgement
from preflight.clean import clean
from preflight.devices.fat import FatVolume
from preflight.devices.fat_table import TableScan
from preflight.devices.volume import Volume, open_volume
from preflight.errors import DeviceError
from preflight.readings import Evidence, Progress


def card_path(context: Context) -> Path:
    """Where [card] volume points; relative ones start at the flight file's folder."""
    card = context.flight.card
    assert card is not None
    return context.folder / card.volume


def on_the_card(
    judgement: Judgement,
    context: Context,
    judge: Callable[[Judgement, Volume, Context], Generator[Progress, None, None]],
) -> Run:
    """The finding of `judge` on the card's volume; one that can't be opened, or fails, is told as trouble."""
    yield Progress("Opening the card")
    try:
        with open_volume(card_path(context)) as volume:
            yield from judge(judgement, volume, context)
    except DeviceError as error:
        return judgement.trouble(error)
    return judgement.finding()


def known_identity(context: Context) -> str | None:
    """The identity of the card checked before, None if none was."""
    known = context.measured.get("card.identity")
    return known.value if known is not None and isinstance(known.value, str) else None


def compare_identity(judgement: Judgement, volume: Volume, context: Context) -> bool:
    """Whether this is the card checked before, or the first; a fault if it is another."""
    before = known_identity(context)
    if before is None or volume.identity == before:
        return True
    if volume.identity is None:
        judgement.gaps.append(f"whether this is still the card checked before ({clean(before, limit=60)})")
        return True
    judgement.faults.append(
        f"This is another card ({volume.identity}) than the one checked before ({clean(before, limit=60)}): "
        "put that one back, or run every check of the card again on this one"
    )
    return False


def add_evidence(judgement: Judgement, volume: Volume) -> None:
    """The boot sector, and FSInfo where there is one."""
    content = volume.content
    if isinstance(content, FatVolume):
        judgement.evidence.append(Evidence(name="boot sector", data=content.layout.boot))
        if content.fsinfo is not None:
            judgement.evidence.append(Evidence(name="FSInfo", data=content.fsinfo.raw))
    elif content is not None:
        judgement.evidence.append(Evidence(name="boot sector", data=content.boot))


def scan_with_progress(
    fat: FatVolume, judgement: Judgement, context: Context
) -> Generator[Progress, None, TableScan | None]:
    """Scan the table with progress and judge it; None, and a gap, if the crew stopped it."""
    scanning = fat.scan()
    while True:
        try:
            share = next(scanning)
        except StopIteration as end:
            scan: TableScan = end.value
            _judge_table(judgement, fat, scan)
            return scan
        if context.stopped():
            judgement.gaps.append("stopped, the file allocation table was not read to its end")
            return None
        yield Progress("Reading the file allocation table", share)


def _judge_table(judgement: Judgement, fat: FatVolume, scan: TableScan) -> None:
    """Faults that leave neither the layout nor the count of free clusters to be trusted."""
    if not scan.media_fits:
        judgement.faults.append(
            f"The file allocation table begins wrong, not as a {fat.type} one must: format the card again"
        )
    if scan.copies_differ:
        judgement.faults.append(
            "The copies of the file allocation table differ: save what is on the card, then format it again"
        )
    if scan.astray:
        judgement.faults.append(
            f"The allocation table points outside the volume, in {scan.astray} entries: "
            "save what is on the card, then format it again"
        )
    if fat.backup_differs:
        judgement.faults.append(
            "The boot sector and its backup differ, each with another layout: format the card again"
        )


def compare_fsinfo(judgement: Judgement, fat: FatVolume, free: int) -> None:
    """A remark if FSInfo claims another count of free clusters than the table has."""
    claimed = fat.fsinfo.free if fat.fsinfo is not None else None
    if claimed is not None and claimed != free:
        size = fat.layout.cluster_size
        judgement.remarks.append(
            f"FSInfo claims {size_text(claimed * size)} free, the table has {size_text(free * size)} "
            f"({claimed} and {free} clusters): the table was counted. A logger may believe the claim: "
            "repair the volume or format it"
        )


def size_text(size: float) -> str:
    """Bytes as people say them."""
    for unit, scale in (("GiB", 2**30), ("MiB", 2**20), ("KiB", 2**10)):
        if size >= scale:
            return f"{size / scale:.3g} {unit}"
    return f"{size:.0f} B"
