"""What each check reads and within which limits, so that a crew can do it without the check, on paper."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from preflight.checks.base import Context
from preflight.clean import clean
from preflight.config.flight import Flight
from preflight.figures.compute import FlightFigures
from preflight.figures.limits import DEFAULTS, Bounds, limit_for
from preflight.names import UNITS
from preflight.readings import ByHand, Reading

UNLIMITED: Bounds = (None, None)
CLEARANCE = "flight.keep_out_clearance"


class Paper:
    """A flight file and its figures, or neither: then only limits that are no flight's own are known."""

    def __init__(self, flight: Flight | None, figures: FlightFigures | None, folder: Path) -> None:
        self.flight = flight
        self.figures = figures
        self.context = None if flight is None else Context(flight=flight, folder=folder)

    def read(self, name: str, computed: Bounds = UNLIMITED, *, wanted: str = "") -> ByHand:
        """A reading by its name; `computed` are the limits that the check has for it."""
        if self.flight is not None:
            at_least, at_most = limit_for(self.flight, name, computed)
        else:
            default = DEFAULTS.get(name, UNLIMITED)
            at_least, at_most = (
                own if own is not None else of for own, of in zip(computed, default, strict=True)
            )
        reading = Reading(name=name, value=None, unit=UNITS[name], at_least=at_least, at_most=at_most)
        return ByHand(what=words(name), reading=reading, wanted=wanted)

    def judged_figures(self, *prefixes: str) -> tuple[ByHand, ...]:
        """The figures of these names that have a limit, as computed from the flight file."""
        if self.figures is None:
            names = [name for name in DEFAULTS if name.startswith(prefixes)]
            return tuple(self.read(name) for name in names)
        return tuple(
            ByHand(what=words(figure.name), reading=figure)
            for figure in self.figures.figures
            if figure.name.startswith(prefixes)
            and (figure.at_least is not None or figure.at_most is not None)
        )


def words(name: str) -> str:
    """A reading's name as it is said: "battery open voltage"."""
    return name.replace(".", " ").replace("_", " ")


def by_hand(
    check: str, flight: Flight | None, figures: FlightFigures | None, folder: Path
) -> tuple[ByHand, ...]:
    """The readings of a check; () for one from outside, and where the flight file lacks what it needs."""
    reads = _READS.get(check)
    return () if reads is None else tuple(reads(Paper(flight, figures, folder)))


def _card_format(paper: Paper) -> tuple[ByHand, ...]:
    logger = None if paper.flight is None else paper.flight.logger
    wanted = "one that the logger reads" if logger is None else " or ".join(logger.formats)
    return paper.read("card.type", wanted=wanted), paper.read("card.label"), paper.read("card.size")


def _card_capacity(paper: Paper) -> tuple[ByHand, ...]:
    tested = paper.read("card.tested", wanted="as much as the card claims")
    return tested, paper.read("card.wrong_pages", (None, 0.0))


def _card_write(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.card_write import survived_ms

    need = stall = None
    if paper.context is not None and paper.context.flight.sample is not None:
        sample = paper.context.flight.sample
        need = sample.rate * sample.length
        stall = survived_ms(paper.context, sample.rate, sample.length)
    wrong = paper.read("card.wrong_pages", (None, 0.0))
    return paper.read("card.write_rate", (need, None)), paper.read("card.stall", (None, stall)), wrong


def _card_space(paper: Paper) -> tuple[ByHand, ...]:
    need = None if paper.figures is None else paper.figures.figure("card.need")
    margin = paper.read("card.margin")
    least = None
    if need is not None and isinstance(need.value, (int, float)) and margin.reading.at_least is not None:
        least = need.value * margin.reading.at_least
    others = tuple(read for read in paper.judged_figures("card.") if read.reading.name != "card.margin")
    return paper.read("card.free", (least, None)), margin, *others


def _battery_voltage(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.battery_voltage import LOADED, METER_LOADED, METER_OPEN, OPEN, live_limits

    context = paper.context
    limits = [
        UNLIMITED if context is None else live_limits(context, name) for name in (METER_OPEN, METER_LOADED)
    ]
    return tuple(paper.read(name, bounds) for name, bounds in zip((OPEN, LOADED), limits, strict=True))


def _wiring(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.wiring_rules import judge_wiring

    if paper.flight is None or paper.flight.wiring is None:
        return ()
    wired = judge_wiring(paper.flight.wiring.connection, paper.flight.port)
    return tuple(
        ByHand(what=touch, reading=Reading(name=f"wiring.{number}", value=None), wanted="touched")
        for number, touch in enumerate(wired.touch, 1)
    )


def _logger_unpowered(paper: Paper) -> tuple[ByHand, ...]:
    logger = None if paper.flight is None else paper.flight.logger
    volts = paper.read("logger.off_voltage", (None, None if logger is None else logger.off_voltage))
    reply = Reading(name="logger.reply", value=None)
    return volts, ByHand(what="logger's reply", reading=reply, wanted="none")


def _logger_response(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.talk import payload_of, shown

    logger = None if paper.flight is None else paper.flight.logger
    if logger is None:
        return (paper.read("logger.reply_time"),)
    return tuple(
        ByHand(
            what=f"reply to {shown(payload_of(exchange.send))}, and after how long",
            reading=Reading(name="logger.reply_time", value=None, unit="s", at_most=exchange.within),
            wanted=f"/{clean(exchange.expect, limit=100)}/",
        )
        for exchange in logger.exchange
    )


def _sample_record(paper: Paper) -> tuple[ByHand, ...]:
    sample = None if paper.flight is None else paper.flight.sample
    names = ("sample.length", "sample.rate", "sample.gap", "sample.undecoded")
    if sample is None:
        return tuple(paper.read(name) for name in names)
    declared = {
        "sample.length": f"{sample.length:g} B declared",
        "sample.rate": f"{sample.rate:g} Hz declared",
    }
    fields = [
        ByHand(
            what=clean(field.name, limit=80),
            reading=Reading(
                name=f"sample.{clean(field.name, limit=80)}",
                value=None,
                unit=clean(field.unit, limit=40),
                at_least=field.at_least,
                at_most=field.at_most,
            ),
        )
        for field in sample.field
    ]
    return (*(paper.read(name, wanted=declared.get(name, "")) for name in names), *fields)


def _clock(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.clock import APART, OFFSET

    return (paper.read(OFFSET, (-APART, APART)),)


def _position(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.position import CEILING, LIMITS, burst_km

    burst = None if paper.context is None else burst_km(paper.context)
    told = [paper.read(name, bounds) for name, bounds in LIMITS.items()]
    fix, model = paper.read("position.fix", wanted="a measured one"), paper.read("position.model")
    return fix, *told, model, paper.read(CEILING, (burst, None))


def _beacon_heard(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.beacon_heard import FAR, LATE, OLD, REPORTS

    beacon = None if paper.flight is None else paper.flight.beacon
    late = old = None
    if beacon is not None:
        late, old = LATE * beacon.interval, OLD * beacon.interval + 1.0
    return (
        paper.read("beacon.heard", wanted=f"{REPORTS} reports"),
        paper.read("beacon.interval", (None, late)),
        paper.read("beacon.age", (None, old)),
        paper.read("beacon.distance", (None, FAR)),
    )


def _test_log(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.test_log import LIMITS

    names = (
        "log.lost_samples",
        "log.longest_gap",
        "log.lost_at_power_cut",
        "log.resumed",
        "log.resumed_after",
    )
    wanted = {"log.resumed": "yes, by itself"}
    return tuple(paper.read(name, (None, LIMITS.get(name)), wanted=wanted.get(name, "")) for name in names)


def _airspace(paper: Paper) -> tuple[ByHand, ...]:
    from preflight.checks.airspace import largest_of

    if paper.context is None or paper.figures is None:
        return tuple(paper.read(name) for name in UNITS if name.startswith("airspace."))
    found = largest_of(paper.context, paper.figures)
    return tuple(ByHand(what=words(reading.name), reading=reading) for reading in found)


def _flight_envelope(paper: Paper) -> tuple[ByHand, ...]:
    figures = paper.judged_figures("flight.")
    names = [read.reading.name for read in figures]
    if paper.flight is not None and paper.flight.recovery.keep_out and CLEARANCE not in names:
        return *figures, paper.read(CLEARANCE)  # without a wind table it is taken from the map
    return figures


_READS: dict[str, Callable[[Paper], tuple[ByHand, ...]]] = {
    "card-format": _card_format,
    "card-capacity": _card_capacity,
    "card-write": _card_write,
    "card-space": _card_space,
    "battery-voltage": _battery_voltage,
    "wiring": _wiring,
    "logger-unpowered": _logger_unpowered,
    "logger-response": _logger_response,
    "sample-record": _sample_record,
    "clock": _clock,
    "position": _position,
    "beacon-heard": _beacon_heard,
    "test-log": _test_log,
    "airspace": _airspace,
    "link-margin": lambda paper: paper.judged_figures("link."),
    "battery-endurance": lambda paper: paper.judged_figures("battery.", "beacon."),
    "flight-envelope": _flight_envelope,
}
