"""card-space: will the card hold the flight?"""

from __future__ import annotations

from collections.abc import Generator

from preflight.checks.base import Context, Run
from preflight.checks.card import (
    add_evidence,
    compare_fsinfo,
    compare_identity,
    known_identity,
    on_the_card,
    scan_with_progress,
)
from preflight.checks.judgement import GET_RIGHT, Judgement
from preflight.clean import clean
from preflight.devices.fat import FatVolume
from preflight.devices.volume import Volume
from preflight.readings import Progress, Reading

_READS = ("card", "card.identity", "sample.length", "sample.rate", "flight.power_up", "recovery.search")
_MEASURED_HERE = ("card.free", "card.cluster_size", "card.type")


class CardSpace:
    """Counts free clusters in the file allocation table and sets them against what the flight needs."""

    name = "card-space"
    title = "Card holds the flight"
    needs = ("card", "sample")
    leads = ""
    put_back = ""

    def run(self, context: Context) -> Run:
        return (yield from on_the_card(Judgement(self.name, _READS, context), context, _judge))


def _judge(judgement: Judgement, volume: Volume, context: Context) -> Generator[Progress, None, None]:
    judgement.remarks += volume.remarks
    add_evidence(judgement, volume)
    if not compare_identity(judgement, volume, context):
        # The other card's identity is left out, so that it does not become the one checked before.
        return
    if known_identity(context) is None:
        judgement.read("card.identity", volume.identity)
    free = yield from _free(judgement, volume, context)
    measured = {
        reading.name: reading
        for reading in (
            judgement.read("card.free", free),
            Reading(name="card.cluster_size", value=volume.cluster_size, unit="B"),
            Reading(name="card.type", value=volume.fs_type),
        )
    }
    if free is None:
        return
    if free == 0:
        judgement.faults.append("The card is full: clear it, or use another")
        return
    _judge_figures(judgement, context, measured)


def _free(judgement: Judgement, volume: Volume, context: Context) -> Generator[Progress, None, int | None]:
    """Free bytes: by the table where it can be read, else by the system; None if neither could tell."""
    if isinstance(volume.content, FatVolume):
        scan = yield from scan_with_progress(volume.content, judgement, context)
        if scan is None:
            return None
        compare_fsinfo(judgement, volume.content, scan.free)
        return scan.free * volume.content.layout.cluster_size
    if volume.content is None:
        judgement.gaps.append(f"{volume.not_read}. To check it, {GET_RIGHT}")
    elif volume.totals is None:
        judgement.gaps.append("free space, which on exFAT only a system that has it mounted tells: mount it")
    else:
        judgement.remarks.append("Free space is the system's own figure, as always on exFAT")
    return volume.totals.free if volume.totals is not None else None


def _judge_figures(judgement: Judgement, context: Context, measured: dict[str, Reading]) -> None:
    from preflight.figures.compute import compute

    computed = compute(context.flight, {**context.measured, **measured}, folder=context.folder)
    figures = [
        figure
        for figure in computed.figures
        if figure.name.startswith("card.") and figure.name not in _MEASURED_HERE
    ]
    judgement.readings += figures
    judgement.remarks += [
        f"To bring {figure.name} inside its limit: {clean(computed.mends[figure.name])}"
        for figure in figures
        if figure.name in computed.mends
    ]
    margin = next((figure for figure in figures if figure.name == "card.margin"), None)
    if margin is None or margin.value is None:
        judgement.gaps.append("whether the flight fits, as what it needs could not be computed")


check = CardSpace()
