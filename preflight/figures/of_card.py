"""The figures of the card."""

from __future__ import annotations

from preflight.figures import card
from preflight.figures.run_out import Axis, RunOut, run_out
from preflight.figures.sheet import Sheet


def card_figures(sheet: Sheet, axis: Axis) -> list[RunOut]:
    """Adds card.*; nothing where [sample] is absent. What the card runs out of, on `axis`.

    The card must hold from power-up until it is found, the longest flight and the search included.
    """
    feed = sheet.feed
    rate, length = sheet.value("sample.rate"), sheet.value("sample.length")
    if rate is None or length is None:
        return []
    cluster = feed.known("card.cluster_size")
    kind = feed.word("card.type")
    ceiling = None if kind == "exFAT" else card.MAX_FAT_FILE
    need = card.need(
        rate,
        length,
        axis.end_of_search,
        cluster=card.PLANNED_CLUSTER if cluster is None else cluster.value,
        file_limit=ceiling,
    )
    sheet.add("card.need", need)
    ends: list[RunOut] = []
    free = feed.known("card.free")
    if free is not None:
        sheet.add("card.free", free.value, source=free.source)
        margin = sheet.add("card.margin", free.value / need)
        sheet.mend(
            "card.margin",
            lambda r: f"{_mebibytes((r.at_least or 1.0) * need - free.value)} more free, or a larger card",
        )
        full = card.full_after(free.value, rate, length)
        sheet.add("card.full_after", full)
        mend = sheet.mends.get("card.margin", "")
        ends.append(
            run_out(axis, "card", after=full, need=axis.end_of_search, at_least=margin.at_least, mend=mend)
        )
    elif sheet.flight.card is not None:
        sheet.remark("card", "The card's free space was not measured yet: card.margin waits for it.")
    if ceiling is not None:
        after = card.full_after(ceiling, rate, length)
        sheet.add("card.file_limit_after", after, limits=(axis.end_of_search, None))
        sheet.mend(
            "card.file_limit_after", lambda _: "have the logger begin a new file before this one is full"
        )
        mend = sheet.mends.get("card.file_limit_after", "")
        ends.append(run_out(axis, "file size", after=after, need=axis.end_of_search, at_least=1.0, mend=mend))
    return ends


def _mebibytes(size: float) -> str:
    return f"{size / 2**20:.2g} MiB" if size < 2**30 else f"{size / 2**30:.2g} GiB"
