"""logger-unpowered: with the payload's power off, a logger that still lives is fed through a signal pin."""

from __future__ import annotations

import time
from collections.abc import Generator

from preflight.checks.base import Context, Run
from preflight.checks.replies import only_echo
from preflight.checks.talk import Transcript, is_noise, payload_of, shown
from preflight.devices.serial_line import PortUnusableError, SerialLine, open_port
from preflight.errors import DeviceError
from preflight.readings import Finding, FindingOutcome, Progress, Reading

VOLTAGE = "logger.off_voltage"
LISTEN = 2.0
"""Seconds that an answer is waited for, at most what is declared."""

_FED = (
    "Half awake it can spoil the card, and it does not start anew when the "
    "battery goes on. First see that the battery is off, then take the signal leads off one by one, the "
    "tool's own transmit lead too, until the voltage is gone: that lead needs a series resistor, or a "
    "sender that is switched off with the payload"
)


class LoggerUnpowered:
    """Judges the voltage at the logger's supply pin, typed from a voltmeter, and asks the logger once.

    The flight file asks for it by [logger] off_voltage: what that pin may show with the payload's power off.
    """

    name = "logger-unpowered"
    title = "Logger dead with the power off"
    needs = ("port.logger", "logger.exchange", "logger.off_voltage")
    asks = (VOLTAGE,)
    """Readings that a person may type before this check runs."""
    leads = "Payload's power off, logger lead on, voltmeter between the logger's supply pin and ground"
    put_back = "Voltmeter and logger lead off, payload's power on"

    def run(self, context: Context) -> Run:
        logger = context.flight.logger
        assert logger is not None
        typed = context.typed.get(VOLTAGE)
        reading = Reading(name=VOLTAGE, value=typed, unit="V", at_most=logger.off_voltage)
        if typed is None:
            return self._finding(
                "open",
                "Not checked: the logger's supply pin with the power off. Measure there and type "
                f"{VOLTAGE} in volts",
                reading,
            )
        port = next(port for port in context.flight.port if port.use == "logger")
        transcript = Transcript()
        heard, stopped = b"", False
        try:
            with open_port(port, context.flight.link, context.folder) as line:
                try:
                    heard, stopped = yield from _asked(context, line, transcript)
                finally:
                    for step in logger.leave:
                        line.write(payload_of(step.send))
                        line.finish_writing()
        except PortUnusableError as error:
            return self._finding("open", f"Not checked: {error}", reading)
        except DeviceError as error:
            return self._finding("no-go", str(error), reading)
        return self._judged(reading, heard, stopped, transcript)

    def _judged(self, reading: Reading, heard: bytes, stopped: bool, transcript: Transcript) -> Finding:
        cycle = "the payload was switched off to see that the logger is not fed through a signal pin"
        if heard and not is_noise(heard):
            sentence = (
                f"The logger is fed through a signal pin: it answers {shown(heard)} with the payload's power "
                f"off. {_FED}"
            )
            return self._finding("no-go", sentence, reading, transcript, cycle)
        if reading.within is False:
            sentence = (
                f"The logger is fed through a signal pin: {reading.value:g} V are at its supply pin with the "
                f"payload's power off. {_FED}"
            )
            return self._finding("no-go", sentence, reading, transcript, cycle)
        if heard:
            sentence = (
                f"Not checked: no answer came, but noise: {shown(heard)}. Check the ground lead, then run "
                "this again"
            )
            return self._finding("open", sentence, reading, transcript, cycle)
        if stopped:
            return self._finding("open", "Stopped: not checked", reading, transcript, cycle)
        return self._finding(
            "go", "The logger is dead with the payload's power off", reading, transcript, cycle
        )

    def _finding(
        self,
        outcome: FindingOutcome,
        remark: str,
        reading: Reading,
        transcript: Transcript | None = None,
        power_cycle: str = "",
    ) -> Finding:
        return Finding(
            check=self.name,
            outcome=outcome,
            readings=(reading,),
            remarks=(remark,),
            evidence=transcript.evidence() if transcript is not None else (),
            reads=("logger.exchange", "logger.off_voltage", "port", "wiring"),
            power_cycle=power_cycle,
        )


def _asked(
    context: Context, line: SerialLine, transcript: Transcript
) -> Generator[Progress, None, tuple[bytes, bool]]:
    """What came back to the first exchange but its echo, and whether the crew stopped."""
    assert context.flight.logger is not None
    exchange = context.flight.logger.exchange[0]
    sent = payload_of(exchange.send)
    if context.stopped():
        return b"", True
    transcript.add("sent", sent)
    line.write(sent)
    within = min(exchange.within, LISTEN)
    begun = time.monotonic()
    heard = bytearray()
    while (waited := time.monotonic() - begun) < within:
        if context.stopped():
            return bytes(heard), True
        yield Progress(f"Asking the logger: {waited:.1f} s of {within:g} s", waited / within)
        heard += line.read()
    transcript.add("heard", bytes(heard))
    return (b"" if only_echo(sent, bytes(heard)) else bytes(heard)), False


check = LoggerUnpowered()
