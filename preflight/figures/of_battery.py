"""The figures of the packs: the payload's and the beacon's own."""

from __future__ import annotations

import dataclasses
import math
from datetime import UTC, datetime

from preflight.config.flight import Cells, Efficiency
from preflight.figures import battery
from preflight.figures.atmosphere import KELVIN
from preflight.figures.run_out import Axis, RunOut, run_out
from preflight.figures.sheet import Sheet, to_si
from preflight.figures.shown import lasts_text
from preflight.readings import Reading

MOST_CELLS = 12
"""Parallel cells beyond which more of them is no advice."""


def pack_figures(
    sheet: Sheet, cells: Cells, axis: Axis, *, prefix: str, resource: str, need: float, power_up: datetime
) -> list[RunOut]:
    """Adds `prefix`.load, .usable, .endurance, .margin and .loaded_voltage_min ("battery" or "beacon").

    `need` is how long the pack must last, s from power-up, and `power_up` that moment in UTC.
    """
    pack = pack_of(cells)
    _say_what_was_assumed(sheet, cells, pack, prefix, resource)
    ok = _refusals(sheet, pack, prefix, resource)
    listed = battery.mean_load(pack)
    load = to_si(f"{prefix}.load", sheet.feed.larger(f"{prefix}.load", listed * 1e3).value)
    source = sheet.feed.inputs[f"{prefix}.load"].source
    sheet.add(f"{prefix}.load", load, source="measured" if source == "measured" else "computed")
    used = load * _since_fitting(cells, power_up)
    left = _share_left(sheet, cells, pack, prefix, resource)
    low, high = battery.usable(pack, left=left, used=used)
    sheet.add(f"{prefix}.usable", low, low=low, high=high)
    sheet.add(
        f"{prefix}.loaded_voltage_min",
        battery.loaded_voltage_min(pack),
        limits=(battery.voltage_needed(pack), None),
    )
    sheet.mend(f"{prefix}.loaded_voltage_min", lambda _: _more_voltage(pack, resource))
    after, longest = battery.endurance(low, load), battery.endurance(high, load)
    if after is None or longest is None:
        sheet.add(f"{prefix}.endurance", None)
        sheet.add(f"{prefix}.margin", None)
        return []
    sheet.add(f"{prefix}.endurance", after, low=after, high=longest)
    margin = sheet.add(f"{prefix}.margin", after / need, low=after / need, high=longest / need)
    sheet.mend(f"{prefix}.margin", lambda r: _more_cells(pack, r, load=load, left=left, used=used, need=need))
    if low == 0 and ok:
        sheet.refuse(f"{prefix}.endurance", _nothing_left(cells, pack, resource))
    mend = sheet.mends.get(f"{prefix}.margin", "")
    return [run_out(axis, resource, after=after, need=need, at_least=margin.at_least, mend=mend)]


def pack_of(cells: Cells) -> battery.Pack:
    """The pack that a flight file's table declares; tables stand in for what it leaves out."""
    table = battery.chemistry(cells.chemistry)
    return battery.Pack(
        chemistry=table,
        series=cells.series,
        parallel=cells.parallel,
        capacity=cells.capacity,
        cut_off=table.cut_off if cells.cut_off is None else cells.cut_off,
        derating=(
            battery.derating_at(table, cells.cell_temperature)
            if cells.derating is None
            else (min(cells.derating), max(cells.derating))
        ),
        resistance=cells.resistance or 0.0,
        rail=cells.rail,
        dropout=cells.dropout,
        efficiency=cells.regulator.efficiency if isinstance(cells.regulator, Efficiency) else None,
        mean=math.fsum(load.current * load.duty for load in cells.load),
        peak=math.fsum(load.current for load in cells.load if load.duty > 0),
    )


def _say_what_was_assumed(sheet: Sheet, cells: Cells, pack: battery.Pack, prefix: str, resource: str) -> None:
    if cells.derating is None or cells.cut_off is None:
        sheet.remark(prefix, f"The {resource}'s cells are counted by {battery.tables_source()}.")
    if cells.resistance is None:
        sheet.remark(
            prefix,
            f"The {resource} declares no resistance: its voltage at the peak is counted without any drop.",
        )
    if cells.state == "charged" and pack.chemistry.primary:
        sheet.remark(
            prefix,
            f"The {resource} is declared charged, but {cells.chemistry} cells can't be: use fresh ones.",
        )
    if cells.state == "fresh" and not pack.chemistry.primary:
        sheet.remark(
            prefix, f"The {resource} is declared fresh: {cells.chemistry} cells come part full, charge them."
        )
    if battery.steps_voltage(pack):
        sheet.remark(
            prefix,
            f"The {resource}'s regulator must also raise the voltage: its rail is above the pack's end.",
        )


def _refusals(sheet: Sheet, pack: battery.Pack, prefix: str, resource: str) -> bool:
    """No-gos in words; whether there were none."""
    full = pack.chemistry.full
    if pack.mean <= battery.NO_LOAD and sheet.feed.number(f"{prefix}.load") is None:
        sheet.refuse(
            f"{prefix}.load",
            f"The {resource}'s loads add up to nothing: declare every load with its current and duty.",
        )
    if pack.cut_off >= full:
        sheet.refuse(
            f"{prefix}.usable",
            f"The {resource}'s cut-off of {pack.cut_off:.2f} V a cell is not below the {full:.2f} V of a "
            "full one: nothing is usable.",
        )
        return False
    end = battery.end_voltage(pack)
    if end >= full:
        sheet.refuse(
            f"{prefix}.usable",
            f"The {resource} can't feed its rail even when full: that takes {end:.2f} V a cell at the peak, "
            f"a full one has {full:.2f} V.",
        )
        return False
    return True


def _nothing_left(cells: Cells, pack: battery.Pack, resource: str) -> str:
    if pack.derating[0] > 0 and battery.share_down_to(pack.chemistry, battery.end_voltage(pack)) > 0:
        return f"The {resource} may be used up before power-up, by what ran since its cells were fitted."
    cold = cells.cell_temperature - KELVIN
    end = battery.end_voltage(pack)
    return (
        f"The {resource} may give nothing: {cells.chemistry} at {cold:.0f} degC, down to {end:.2f} V a cell."
    )


def _since_fitting(cells: Cells, power_up: datetime) -> float:
    """s that the loads have already run before the planned power-up."""
    fitted = cells.fitted_at
    if fitted is None:
        return 0.0
    if fitted.tzinfo is None:
        fitted = fitted.replace(tzinfo=UTC)
    return max(0.0, (power_up - fitted).total_seconds())


def _share_left(sheet: Sheet, cells: Cells, pack: battery.Pack, prefix: str, resource: str) -> float:
    """Share of charge at power-up, from a measured open voltage where that tells it."""
    if prefix != "battery":
        return 1.0
    measured = sheet.feed.known("battery.open_voltage")
    if measured is None:
        return 1.0
    per_cell = measured.value / cells.series
    left = battery.share_left(pack.chemistry, per_cell)
    if left is None:
        sheet.remark(
            prefix,
            f"An open voltage of {cells.chemistry} does not tell its charge: it counts as {cells.state}.",
        )
        return 1.0
    if left < 0.95:
        sheet.remark(
            prefix,
            f"{per_cell:.2f} V a cell at rest: the {resource} is counted as {left:.0%} full "
            "(planning value, from memory).",
        )
    return left


def _more_cells(
    pack: battery.Pack, limit: Reading, *, load: float, left: float, used: float, need: float
) -> str:
    wanted = (limit.at_least or 1.0) * need
    for parallel in range(pack.parallel + 1, MOST_CELLS + 1):
        bigger = dataclasses.replace(pack, parallel=parallel)
        lasts = battery.endurance(battery.usable(bigger, left=left, used=used)[0], load) or 0.0
        if lasts >= wanted:
            count = parallel - pack.parallel
            what = "parallel cell" if pack.series == 1 else f"parallel string of {pack.series} cells"
            return f"add {_NUMBERS.get(count, str(count))} {_plural(what, count)}: {lasts_text(lasts)}"
    return "warmer cells, another chemistry or less load"


_NUMBERS = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}


def _plural(what: str, count: int) -> str:
    if count == 1:
        return what
    return what.replace("string of", "strings of") if "string of" in what else f"{what}s"


def _more_voltage(pack: battery.Pack, resource: str) -> str:
    end = battery.end_voltage(pack)
    table = "beacon.battery" if resource.startswith("beacon") else "battery"
    more = math.ceil(round(pack.series * end / pack.cut_off, 6))
    way = f"{_NUMBERS.get(more, str(more))} cells in series"
    if end < pack.chemistry.full:
        up = math.ceil(round(end * 100, 6)) / 100
        return f'{way}, or {table}.cut_off = "{up:.2f} V": the endurance is counted to that already'
    return way
