"""What the checks of the card share: opening it, telling it from another, judging its table."""

from __future__ import annotations

from collections.abc import Generator
from pathlib import Path

from preflight.checks.base import Context
from preflight.clean import clean
from preflight.devices.blocks import BadVolumeError, NoRightError
from preflight.devices.fat import FatVolume
from preflight.devices.fat_table import TableScan
from preflight.devices.volume import Volume
from preflight.errors import DeviceError
from preflight.names import UNITS
from preflight.readings import Evidence, Finding, FindingOutcome, Progress, Reading, judged

GET_RIGHT = (
    "run this as a user who may read the device (on Linux often a member of the group disk), "
    "or name an image of the card"
)


class Judgement:
    """A finding in the making: `faults` make it no-go, `gaps` (what was not looked at) make it open."""

    def __init__(self, check: str, reads: tuple[str, ...], context: Context) -> None:
        self.check = check
        self.reads = reads
        self.faults: list[str] = []
        self.gaps: list[str] = []
        self.remarks: list[str] = []
        self.readings: list[Reading] = []
        self.evidence: list[Evidence] = []
        self._limits = context.flight.limits

    def read(self, name: str, value: float | str | None) -> Reading:
        """Add a measured reading with the flight file's limits; the reading."""
        limit = self._limits.get(name)
        reading = Reading(
            name=name,
            value=value,
            unit=UNITS[name],
            at_least=limit.at_least if limit else None,
            at_most=limit.at_most if limit else None,
        )
        self.readings.append(reading)
        return reading

    def trouble(self, error: DeviceError) -> Finding:
        """The finding when the card could not be opened or failed in the middle; what was found is kept."""
        if isinstance(error, NoRightError):
            self.gaps.append(f"the card was not read: {error}. To check it, {GET_RIGHT}")
        else:
            self.faults.append(str(error))
        if isinstance(error, BadVolumeError):
            if error.judged:
                self.evidence.append(Evidence(name="first sector", data=error.judged))
            if error.found:
                self.read("card.type", error.found)
        return self.finding()

    def finding(self) -> Finding:
        """Faults first, then what was not checked, then the rest."""
        readings = tuple(self.readings)
        outcome: FindingOutcome = judged(readings)
        if self.faults:
            outcome = "no-go"
        elif self.gaps and outcome == "go":
            outcome = "open"
        return Finding(
            check=self.check,
            outcome=outcome,
            readings=readings,
            remarks=(*self.faults, *(f"Not checked: {gap}" for gap in self.gaps), *self.remarks),
            evidence=tuple(self.evidence),
            reads=self.reads,
        )


def card_path(context: Context) -> Path:
    """Where [card] volume points; relative ones start at the flight file's folder."""
    card = context.flight.card
    assert card is not None
    return context.folder / card.volume


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
            judgement.gaps.append("stopped before the file allocation table was read to its end")
            return None
        yield Progress("Reading the file allocation table", share)


def _judge_table(judgement: Judgement, fat: FatVolume, scan: TableScan) -> None:
    """Faults that leave neither the layout nor the count of free clusters to be trusted."""
    if not scan.media_fits:
        judgement.faults.append(
            f"The file allocation table does not begin as a {fat.type} one must: format the card again"
        )
    if scan.copies_differ:
        judgement.faults.append(
            "The copies of the file allocation table differ: save what is on the card, then format it again"
        )
    if scan.astray:
        judgement.faults.append(
            f"{scan.astray} entries of the file allocation table point outside the volume: "
            "save what is on the card, then format it again"
        )
    if fat.backup_differs:
        judgement.faults.append(
            "The boot sector and its backup describe different layouts: format the card again"
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
