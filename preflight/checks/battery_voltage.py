"""battery-voltage: the pack at rest and under load, typed from a voltmeter or read from the samples."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

from preflight.checks.base import Context, Run
from preflight.checks.tap import PUT_BACK, Capture, Seen, capture, nothing_decoded
from preflight.clean import clean
from preflight.config.flight import Cells, SampleField
from preflight.errors import PreflightError
from preflight.live import Trace
from preflight.readings import Finding, FindingOutcome, Progress, Reading, judged

OPEN = "battery.open_voltage"
LOADED = "battery.loaded_voltage"
METER_OPEN = "meter.open_voltage"
METER_LOADED = "meter.loaded_voltage"
"""What a team's own check reads from a meter on the terminals, earlier in the walk."""

# V per cell at rest: from, to, of a pack that is fresh or just charged.
OPEN_VOLTAGE: dict[str, tuple[float, float]] = {
    # New cells 1.56 to 1.65 V (makers' manuals, second hand); at most 1.68 V (IEC 60086, from memory).
    "alkaline": (1.56, 1.68),
    # From memory: about 1.8 V new, at most 1.83 V (IEC 60086). As its open voltage does not tell its charge,
    # the lower bound is the nominal voltage: it only finds a cell that is missing, reversed or dead.
    "li-fes2": (1.5, 1.83),
    # From memory: 1.40 to 1.45 V off the charger, falling for a day to about 1.35 V.
    "nimh": (1.33, 1.5),
    # From memory: charged to 4.20 V within 0.05 V, resting some 0.1 V lower.
    "li-ion": (4.1, 4.25),
    # From memory: charged to 3.65 V, resting at about 3.35 V.
    "lifepo4": (3.3, 3.65),
}
# From memory: curves so flat that a voltage in range still may be of half a charge.
_FLAT = ("nimh", "lifepo4")
_SAMPLES = 5
_IN_VOLTS = {"V": 1.0, "mV": 1e-3}


@dataclass(slots=True)
class _Loaded:
    """The loaded voltage and where it came from; `gap` says why there is none."""

    value: float | None = None
    gap: str = ""
    heard: Capture = field(default_factory=Capture)


class BatteryVoltage:
    """Judges the open voltage by chemistry and cells in series, the loaded one by cut-off, rail and dropout.

    Both may be typed, or come from a meter that another check has read; the loaded one is else the lowest
    that the tap reads from the sample field with the role battery. An open voltage measured earlier in this
    walk still counts, a loaded one only if it is the meter's.
    """

    name = "battery-voltage"
    title = "Battery voltage"
    needs = ("battery",)
    asks = (OPEN, LOADED)
    """Readings that a person may type before this check runs."""
    leads = (
        "Voltmeter on the battery's terminals; if the samples tell the loaded voltage: tap on, the tool's "
        "own transmit lead off"
    )
    put_back = f"Voltmeter off. If the tap was on: {PUT_BACK}"

    def run(self, context: Context) -> Run:
        cells = context.flight.battery
        assert cells is not None
        yield Progress("Reading the battery's voltages")
        at_rest, remarks = _at_rest(context)
        loaded = yield from _loaded(context)
        readings = (_judged_open(context, cells, at_rest), _judged_loaded(context, cells, loaded.value))
        gaps = []
        if at_rest is None:
            gaps.append(
                f"the open voltage: measure it at the terminals, all loads off, and type {OPEN} in volts"
            )
        if loaded.value is None:
            gaps.append(f"the loaded voltage: {loaded.gap}")
        faults = [_outside(reading, cells) for reading in readings if reading.within is False]
        outcome: FindingOutcome = judged(readings, needs=(OPEN, LOADED))
        return Finding(
            check=self.name,
            outcome=outcome,
            readings=readings,
            remarks=(
                *faults,
                *(f"Not checked: {gap}" for gap in gaps),
                *remarks,
                *_noticed(cells, at_rest, loaded.value),
            ),
            evidence=loaded.heard.evidence(),
            reads=(
                *("battery.chemistry", "battery.series", "battery.cut_off"),
                *("battery.rail", "battery.dropout", "battery.regulator", METER_OPEN, METER_LOADED),
            ),
        )


def _at_rest(context: Context) -> tuple[float | None, list[str]]:
    typed = context.typed.get(OPEN)
    if typed is not None:
        return typed, []
    metered = _measured(context, METER_OPEN)
    if metered is not None:
        return metered, [f"The open voltage is the meter's: {metered:.4g} V"]
    earlier = _measured(context, OPEN)
    if earlier is not None:
        return earlier, [f"The open voltage is the one measured before: {earlier:.4g} V"]
    return None, []


def _measured(context: Context, name: str) -> float | None:
    reading = context.measured.get(name)
    if reading is None or reading.source != "measured" or not isinstance(reading.value, (int, float)):
        return None
    return float(reading.value)


def _loaded(context: Context) -> Generator[Progress, None, _Loaded]:
    """The loaded voltage: typed, the meter's, or from the tap."""
    typed = context.typed.get(LOADED)
    if typed is not None:
        return _Loaded(typed)
    metered = _measured(context, METER_LOADED)
    if metered is not None:
        return _Loaded(metered)
    by_hand = f"measure it at the terminals, payload running, and type {LOADED} in volts"
    source = _field(context)
    if source is None or not context.flight.has("port.tap"):
        return _Loaded(gap=by_hand)
    if source.unit not in _IN_VOLTS:
        return _Loaded(gap=f"the field {clean(source.name)} has no unit V or mV, so {by_hand}")
    try:
        heard = yield from capture(context, _SAMPLES, lambda heard: _to_see(context, source, heard))
    except PreflightError as error:
        return _Loaded(gap=f"{error}; or {by_hand}")
    values = [value for sample in heard.samples if isinstance(value := sample.values.get(source.name), float)]
    if values:
        return _Loaded(round(min(values) * _IN_VOLTS[source.unit], 4), heard=heard)
    if heard.stopped:
        why = "stopped before a sample had come"
    elif heard.lost is not None:
        why = heard.lost
    elif heard.samples:
        why = f"the samples hold no number in {clean(source.name)}"
    else:
        why = nothing_decoded(context, heard)
    return _Loaded(gap=f"{why}; or {by_hand}", heard=heard)


def _to_see(context: Context, source: SampleField, heard: Capture) -> Seen:
    """The voltage at rest, then the loaded one as the samples tell it."""
    cells = context.flight.battery
    assert cells is not None
    at_rest, _ = _at_rest(context)
    told = [value for sample in heard.samples if isinstance(value := sample.values.get(source.name), float)]
    volts = [round(value * _IN_VOLTS[source.unit], 4) for value in told]
    if not volts:
        return (), ()
    reading = _judged_loaded(context, cells, min(volts))
    start = 0 if at_rest is None else 1
    trace = Trace(
        name="voltage",
        unit="V",
        points=(*(() if at_rest is None else (at_rest,)), *volts),
        fold="least",
        at_least=reading.at_least,
        at_most=reading.at_most,
        posts=(*((0, "open") for _ in range(start)), (start, "loaded")),
        told=f"loaded {volts[-1]:.4g} V, lowest {min(volts):.4g} V",
    )
    return (reading,), (trace,)


def live_limits(context: Context, name: str) -> tuple[float | None, float | None]:
    """Between which a meter's voltage of that name is as it should be; nothing for other names."""
    cells = context.flight.battery
    judge = {METER_OPEN: _judged_open, METER_LOADED: _judged_loaded}.get(name)
    if cells is None or judge is None:
        return None, None
    reading = judge(context, cells, None)
    return reading.at_least, reading.at_most


def _field(context: Context) -> SampleField | None:
    sample = context.flight.sample
    fields = sample.field if sample is not None else ()
    return next((field for field in fields if field.role == "battery"), None)


def _judged_open(context: Context, cells: Cells, value: float | None) -> Reading:
    from preflight.figures.limits import limit_for

    low, high = OPEN_VOLTAGE[cells.chemistry]
    computed = (round(low * cells.series, 3), round(high * cells.series, 3))
    at_least, at_most = limit_for(context.flight, OPEN, computed)
    return Reading(name=OPEN, value=value, unit="V", at_least=at_least, at_most=at_most)


def _judged_loaded(context: Context, cells: Cells, value: float | None) -> Reading:
    from preflight.figures.battery import voltage_needed
    from preflight.figures.limits import limit_for
    from preflight.figures.of_battery import pack_of

    pack = pack_of(cells)
    lowest = max(pack.cut_off * pack.series, voltage_needed(pack) or 0.0)
    highest = OPEN_VOLTAGE[cells.chemistry][1] * cells.series
    at_least, at_most = limit_for(context.flight, LOADED, (round(lowest, 3), round(highest, 3)))
    return Reading(name=LOADED, value=value, unit="V", at_least=at_least, at_most=at_most)


def _outside(reading: Reading, cells: Cells) -> str:
    assert isinstance(reading.value, (int, float))
    what = "Open" if reading.name == OPEN else "Loaded"
    pack = f"{cells.series} {cells.chemistry} cell{'s' if cells.series > 1 else ''} in series"
    per_cell = f"{reading.value / cells.series:.2f} V a cell"
    head = f"{what} voltage {reading.value:.4g} V, {per_cell}"
    if reading.at_most is not None and reading.value > reading.at_most:
        return (
            f"{head}, is more than {pack} can have ({reading.at_most:.4g} V): check battery.series and "
            "battery.chemistry, and the meter"
        )
    assert reading.at_least is not None
    if reading.name == OPEN:
        return (
            f"{head}, is below {reading.at_least:.4g} V for {pack}: charge or replace them, and look for a "
            "cell that is dead or the wrong way round"
        )
    return (
        f"{head}, is below the {reading.at_least:.4g} V that the payload needs: charge or replace the cells, "
        "and look for a poor contact or a thin lead"
    )


def _noticed(cells: Cells, at_rest: float | None, loaded: float | None) -> list[str]:
    remarks = []
    if at_rest is not None and loaded is not None:
        if loaded > at_rest:
            remarks.append("The loaded voltage is above the open one: was the load on? Are the two swapped?")
        else:
            remarks.append(f"The load takes {at_rest - loaded:.2f} V off the open voltage")
    if cells.chemistry == "li-fes2":
        remarks.append(
            "The open voltage of Li/FeS2 cells does not tell the charge left: fit cells known to be new"
        )
    elif cells.chemistry in _FLAT:
        remarks.append(
            f"The open voltage of {cells.chemistry} cells hardly tells the charge left: know when they were "
            "charged"
        )
    return remarks


check = BatteryVoltage()
