"""card-format: can the logger read this card, and is its volume sound?"""

from __future__ import annotations

from collections.abc import Generator

from preflight.checks.base import Context, Run
from preflight.checks.card import (
    add_evidence,
    compare_fsinfo,
    compare_identity,
    on_the_card,
    scan_with_progress,
    size_text,
)
from preflight.checks.judgement import GET_RIGHT, Judgement
from preflight.clean import clean
from preflight.devices.exfat import ExfatVolume
from preflight.devices.fat import FatVolume
from preflight.devices.fat_boot import FAT12_BELOW, FAT16_BELOW, NEAR
from preflight.devices.fat_table import TableScan
from preflight.devices.own_file import NAME
from preflight.devices.sd import STANDARD_TYPES, sd_class
from preflight.devices.volume import Volume
from preflight.readings import Progress

LARGE_CLUSTER = 32 * 1024
"""Bytes; the FAT specification (2005, section 3.1) warns that larger ones aren't read everywhere."""
FEW_ENTRIES = 16
"""Free places in the root folder below which a crew is told: a file with a long name takes up to 21."""

SHOWN_NAMES = 3

_READS = ("card", "logger.formats")


class CardFormat:
    """Names the card's file system by its count of clusters and compares it with what the logger reads."""

    name = "card-format"
    title = "Card readable by the logger"
    needs = ("card",)
    leads = ""
    put_back = ""

    def run(self, context: Context) -> Run:
        return (yield from on_the_card(Judgement(self.name, _READS, context), context, _judge))


def _judge(judgement: Judgement, volume: Volume, context: Context) -> Generator[Progress, None, None]:
    judgement.remarks += volume.remarks
    add_evidence(judgement, volume)
    judgement.read("card.type", volume.fs_type)
    judgement.read("card.identity", volume.identity)
    judgement.read("card.label", volume.label if volume.content is not None else None)
    judgement.read("card.size", volume.size)
    judgement.read("card.clusters", volume.clusters)
    judgement.read("card.cluster_size", volume.cluster_size)
    compare_identity(judgement, volume, context)
    _judge_type(judgement, volume, context)
    if volume.content is None:
        judgement.gaps.append(f"whether the volume is sound: {volume.not_read}. To check it, {GET_RIGHT}")
    elif isinstance(volume.content, ExfatVolume):
        _judge_exfat(judgement, volume.content, mounted=volume.mount is not None)
    else:
        _judge_layout(judgement, volume.content)
        scan = yield from scan_with_progress(volume.content, judgement, context)
        if scan is not None:
            _judge_flags(judgement, volume.content, scan, mounted=volume.mount is not None)
            compare_fsinfo(judgement, volume.content, scan.free)
        _judge_place(judgement, volume.content)
        _judge_files(judgement, volume.content)


def _judge_type(judgement: Judgement, volume: Volume, context: Context) -> None:
    kind, logger = volume.fs_type, context.flight.logger
    formats = logger.formats if logger is not None else ("FAT12", "FAT16", "FAT32", "exFAT")
    if kind is None:
        judgement.gaps.append("the card's file system, which the system does not name exactly")
        return
    if kind not in formats:
        reader = "the logger reads" if logger is not None else "a logger reads"
        judgement.faults.append(
            f"The card is {kind}, {reader} {' or '.join(formats)}: format it so, with nothing on it to keep"
        )
        return
    if logger is None:
        judgement.gaps.append("whether the logger reads it: add [logger] with its formats to the flight file")
    if volume.capacity:
        card_class = sd_class(volume.capacity)
        if kind not in STANDARD_TYPES[card_class]:
            judgement.remarks.append(
                f"The SD standard puts {' or '.join(STANDARD_TYPES[card_class])} on a card of "
                f"{size_text(volume.capacity)} ({card_class}), this one holds {kind}: "
                "see it written by the logger itself before the flight"
            )


def _judge_exfat(judgement: Judgement, exfat: ExfatVolume, *, mounted: bool) -> None:
    if exfat.failed:
        judgement.faults.append("A system marked the card as failing (MediaFailure): use another card")
    if exfat.dirty:
        _not_clean(judgement, mounted=mounted)


def _judge_layout(judgement: Judgement, fat: FatVolume) -> None:
    layout, root = fat.layout, fat.root
    for edge in (FAT12_BELOW, FAT16_BELOW):
        if abs(layout.clusters - edge) <= NEAR:
            judgement.remarks.append(
                f"{layout.clusters} clusters are within {NEAR} of where the type changes ({edge}), where "
                "systems disagree on it: format the card again with another cluster size"
            )
    if layout.cluster_size > LARGE_CLUSTER:
        judgement.remarks.append(
            f"Clusters of {size_text(layout.cluster_size)} are not read everywhere: format the card again "
            f"with {size_text(LARGE_CLUSTER)} or less if the logger has any trouble"
        )
    if root.broken:
        judgement.faults.append(
            f"Entries of the root folder can't be right, {root.broken} of them: "
            "save what is on the card, then format it again"
        )
    left = root.entries - root.used
    if left <= 0:
        judgement.faults.append("The root folder is full, no file can be added: clear the card")
    elif left < FEW_ENTRIES:
        judgement.remarks.append(
            f"The root folder has only {left} of {root.entries} places left: clear the card"
        )
    if layout.type == "FAT32" and (fat.fsinfo is None or not fat.fsinfo.sound):
        judgement.remarks.append("FSInfo is missing or damaged: the logger may take long to find free space")


def _judge_place(judgement: Judgement, fat: FatVolume) -> None:
    """Common practice, no source: a cluster that lies across two of the card's pages costs two writes."""
    size = fat.layout.cluster_size
    if fat.data_place % size:
        judgement.remarks.append(
            f"The data area starts at byte {fat.data_place}, which is no multiple of its clusters of "
            f"{size_text(size)}: the card writes slower and stalls longer. Format it again, its partition "
            "starting at 4 MiB"
        )


def _judge_files(judgement: Judgement, fat: FatVolume) -> None:
    names = [clean(name) for name in fat.root.names]
    left = [name for name in names if NAME.fullmatch(name)]
    if left:
        judgement.remarks.append(
            f"{left[0]} is what a test that was interrupted left on the card: run that check again, which "
            "removes it"
        )
    files, names = fat.root.files - len(left), [name for name in names if name not in left]
    if files > 0:
        more = ", …" if files > SHOWN_NAMES else ""
        judgement.remarks.append(
            f"{files} files of {size_text(fat.root.file_bytes)} are in the root folder already "
            f"({', '.join(names[:SHOWN_NAMES])}{more}): save old logs and take them off the card, so that "
            "they are not in the logger's way and nobody takes them for this flight's"
        )


def _judge_flags(judgement: Judgement, fat: FatVolume, scan: TableScan, *, mounted: bool) -> None:
    if scan.no_error is False:
        judgement.faults.append(
            "The card is marked for read or write errors, by a system that met them: use another card, "
            "or format and test this one"
        )
    if scan.clean is False or fat.layout.dirty:
        _not_clean(judgement, mounted=mounted)
    if scan.bad:
        judgement.remarks.append(f"{scan.bad} clusters are marked bad: the card wears out, use another")


def _not_clean(judgement: Judgement, *, mounted: bool) -> None:
    if mounted:
        judgement.remarks.append(
            "The volume is marked as in use, as it is while mounted: unmount it and run this check again"
        )
    else:
        judgement.faults.append(
            "The card was taken out without being unmounted, or power failed while it was written: "
            "save what is on it, then repair or format it"
        )


check = CardFormat()
