"""bench-voltmeter: the pack at rest and after 60 s of load, by a voltmeter that speaks SCPI on a serial line.

Two readings come of it, `meter.open_voltage` and `meter.loaded_voltage`; battery-voltage judges them.
"""

from __future__ import annotations

import time
from collections.abc import Generator

from preflight.checks.base import Context, Run
from preflight.clean import clean
from preflight.clock import Moment
from preflight.devices.serial_line import SerialLine, open_port
from preflight.errors import DeviceError
from preflight.readings import Evidence, Finding, Progress, Reading

OPEN, LOADED = "meter.open_voltage", "meter.loaded_voltage"
AT_REST = 5
"""Measurements whose mean is the open voltage."""
RESTLESS = 0.05
"""Volts that they may lie apart at rest."""
DROP = 0.005
"""Volts that a load takes off at least."""
LOAD_WITHIN = 120.0
"""Seconds that the load is waited for."""
LOADED_FOR = 60.0
"""Seconds of load after which the loaded voltage counts."""
ANSWER_WITHIN = 3.0
PAUSE = 0.1
TOO_LARGE = 9.9e37
"""SCPI's "infinity", answered when the range is exceeded ("not a number" is 9.91e37). From memory."""

Measuring = Generator[Progress, None, float]


class Unmeasured(Exception):
    """Why there is no voltage, with what to do."""


class Meter:
    """A meter on an open line: one query a line, one answer a line (IEEE 488.2)."""

    def __init__(self, line: SerialLine) -> None:
        self.line = line
        self.said = bytearray()

    def ask(self, query: str) -> str:
        """The answer to a query without its line end. Raises Unmeasured if none comes in ANSWER_WITHIN."""
        self.line.write(query.encode("ascii") + b"\n")
        self.said += b"> " + query.encode("ascii") + b"\n"
        answer = bytearray()
        ends = time.monotonic() + ANSWER_WITHIN
        while time.monotonic() < ends and len(answer) < 1000:
            answer += self.line.read(1000)
            if b"\n" in answer:
                self.said += answer
                return answer.partition(b"\n")[0].decode("latin-1").strip()
        self.said += answer
        raise Unmeasured(
            f"The meter does not answer {query}: check that it is on, set to its serial port, and at the "
            "speed of its [[port]]"
        )

    def volts(self) -> float:
        """One measurement of direct voltage."""
        answer = self.ask("MEAS:VOLT:DC?")
        try:
            volts = float(answer)
        except ValueError:
            raise Unmeasured(f"The meter says {clean(answer, limit=80)!r}, which is no number") from None
        if not abs(volts) < TOO_LARGE:
            raise Unmeasured("The meter's range is exceeded: set it to automatic range")
        if volts < -DROP:
            raise Unmeasured(f"The meter reads {volts:.4g} V: its two leads are swapped")
        return volts


class BenchVoltmeter:
    """Takes the open voltage, waits for the load, takes the voltage after 60 s of it."""

    name = "bench-voltmeter"
    title = "Battery on the bench voltmeter"
    needs = ("battery", "port.meter")
    leads = "Voltmeter on the battery's terminals, every load off"
    put_back = "Voltmeter off"

    def run(self, context: Context) -> Run:
        port = next(port for port in context.flight.port if port.use == "meter")
        readings: list[Reading] = []
        remarks: list[str] = []
        meter = None
        try:
            with open_port(port, context.flight.link, context.folder) as line:
                meter = Meter(line)
                remarks.append(f"Measured by {identity(meter)}")
                at_rest = yield from open_voltage(context, meter)
                readings.append(Reading(name=OPEN, value=round(at_rest, 4), unit="V"))
                readings.append((yield from loaded_voltage(context, meter, at_rest)))
        except (Unmeasured, DeviceError) as error:
            remarks.insert(0, f"Not checked: {error}")
        return Finding(
            check=self.name,
            outcome="go" if len(readings) == 2 else "open",
            readings=tuple(readings),
            remarks=tuple(remarks),
            evidence=(Evidence(name="meter", data=bytes(meter.said)),) if meter is not None else (),
        )


def identity(meter: Meter) -> str:
    """Who the meter says it is: maker, model, serial number and firmware, parted by commas."""
    answer = meter.ask("*IDN?")
    if answer.count(",") != 3:
        raise Unmeasured(f"What is there says {clean(answer, limit=80)!r} to *IDN?: no SCPI instrument")
    return clean(answer, limit=120)


def open_voltage(context: Context, meter: Meter) -> Measuring:
    """The mean of AT_REST measurements. Raises Unmeasured where they lie apart."""
    taken: list[float] = []
    while len(taken) < AT_REST:
        go_on(context)
        taken.append(meter.volts())
        reading = Reading(name=OPEN, value=taken[-1], unit="V")
        yield Progress(f"Open voltage, every load off: {len(taken)} of {AT_REST}", None, reading)
    if max(taken) - min(taken) > RESTLESS:
        raise Unmeasured(
            f"The voltage is not at rest, {min(taken):.4g} to {max(taken):.4g} V: take every load off, then "
            "run this again"
        )
    return sum(taken) / len(taken)


def loaded_voltage(context: Context, meter: Meter, at_rest: float) -> Generator[Progress, None, Reading]:
    """The voltage after LOADED_FOR of load, which is told by the voltage that it takes off."""
    waiting_since, loaded_since = context.clock.now(), None
    taken: list[float] = []
    while True:
        go_on(context)
        volts, now = meter.volts(), context.clock.now()
        loaded = at_rest - volts >= DROP
        if loaded_since is None and loaded:
            loaded_since = now
        elif loaded_since is None and seconds(now, waiting_since) > LOAD_WITHIN:
            raise Unmeasured("No load was seen: switch the payload on when asked to")
        elif loaded_since is not None and not loaded:
            raise Unmeasured(
                f"The load went off after {seconds(now, loaded_since):.0f} s: look for a poor contact, then "
                "run this again"
            )
        reading = Reading(name=LOADED, value=volts, unit="V")
        if loaded_since is None:
            yield Progress("Switch the payload on now", None, reading)
        else:
            taken.append(volts)
            lasted = seconds(now, loaded_since)
            if lasted >= LOADED_FOR:
                return Reading(name=LOADED, value=volts, unit="V", low=min(taken), high=max(taken))
            yield Progress(f"Load on: {lasted:.0f} of {LOADED_FOR:.0f} s", lasted / LOADED_FOR, reading)
        time.sleep(PAUSE)


def go_on(context: Context) -> None:
    """Raises Unmeasured once the crew has stopped the check."""
    if context.stopped():
        raise Unmeasured("stopped before all was measured")


def seconds(now: Moment, since: Moment) -> float:
    return now.since(since).total_seconds()


check = BenchVoltmeter()
