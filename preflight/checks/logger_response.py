"""logger-response: talk to the logger, judge its replies, and always leave it logging again."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass, field

from preflight.checks.base import Context, Run
from preflight.checks.replies import Match, Matcher, TooSlowError, only_echo
from preflight.clean import clean
from preflight.config.flight import Exchange, Flight, HexBytes, Leave
from preflight.devices.serial_line import PortUnusableError, SerialLine, open_port
from preflight.errors import DeviceError
from preflight.readings import Evidence, Finding, FindingOutcome, Progress, Reading

GRACE = 0.2
"""Seconds listened on past `within`, so that a late reply is told from none."""
EVIDENCE_LIMIT = 64 * 1024
_PROGRESS_EVERY = 0.1
_STOPPED_LEAVE = 1.0  # seconds that a leave reply is waited for after a stop

Asking = Generator[Progress, None, "Answer"]


@dataclass(slots=True)
class Answer:
    """What one exchange brought: the match, seconds from the last byte sent to the first match, all heard."""

    match: Match | None = None
    seconds: float | None = None
    heard: bytes = b""
    stopped: bool = False
    too_slow: bool = False


@dataclass(slots=True)
class _Transcript:
    """Who sent what when, as lines of text with the bytes in hex; bounded."""

    started: float = field(default_factory=time.monotonic)
    lines: list[str] = field(default_factory=list)
    size: int = 0

    def add(self, who: str, data: bytes) -> None:
        if data and self.size < EVIDENCE_LIMIT:
            self.size += len(data)
            self.lines.append(f"{time.monotonic() - self.started:9.3f} s {who} {data.hex(' ')}\n")

    def evidence(self) -> tuple[Evidence, ...]:
        if not self.lines:
            return ()
        return (Evidence(name="logger exchange", data="".join(self.lines).encode()),)


def payload_of(send: str | HexBytes) -> bytes:
    """The bytes that `send` stands for."""
    return bytes.fromhex(send.hex) if isinstance(send, HexBytes) else send.encode()


class LoggerResponse:
    """Sends each [[logger.exchange]] in order and judges the reply; the first bad one ends it.

    The [[logger.leave]] sequence goes out whenever the port was opened: after success, failure, a stop or an
    error of this tool. The finding is there within the times declared plus one second.
    """

    name = "logger-response"
    title = "Logger replies"
    needs = ("port.logger", "logger.exchange")
    leads = "Logger lead on, flight computer's transmit lead off"
    put_back = "Logger lead off, flight computer's transmit lead back on the logger"

    def run(self, context: Context) -> Run:
        flight = context.flight
        port = next(port for port in flight.port if port.use == "logger")
        if (broken := _broken_pattern(flight)) is not None:
            return _finding("open", [broken])
        try:
            line = open_port(port, flight.link, context.folder)
        except PortUnusableError as error:
            return _finding("open", [f"Not checked: {error}"])
        except DeviceError as error:
            return _finding("no-go", [str(error)])
        with line, Matcher() as matcher:
            talk = _Talk(line, matcher, context)
            try:
                yield from talk.exchanges()
                yield Progress("Leaving the logger so that it logs again", 1.0)
            except DeviceError as error:
                talk.fail(str(error))
            finally:
                talk.leave()
        return _finding(talk.outcome(), talk.remarks, tuple(talk.readings), talk.transcript.evidence())


class _Talk:
    """One conversation with the logger and what came of it."""

    def __init__(self, line: SerialLine, matcher: Matcher, context: Context) -> None:
        logger = context.flight.logger
        assert logger is not None
        self.exchange, self.leave_steps = logger.exchange, logger.leave
        self.line, self.matcher, self.context = line, matcher, context
        self.remarks: list[str] = []
        self.readings: list[Reading] = []
        self.transcript = _Transcript()
        self.failed = False
        self.stopped = False

    def fail(self, remark: str) -> None:
        self.failed = True
        self.remarks.append(remark)

    def outcome(self) -> FindingOutcome:
        if self.failed or any(reading.within is False for reading in self.readings):
            return "no-go"
        return "open" if self.stopped else "go"

    def exchanges(self) -> Generator[Progress, None, None]:
        self.matcher.start()
        # What comes by itself right after opening is often a start-up message: opening restarts some loggers.
        early = self.line.read()
        self.transcript.add("heard", early)
        if early:
            self.remarks.append(
                f"Before anything was sent the logger said {_shown(early)}. If that is its start-up message, "
                "opening the port restarted it: set dtr and rts in its [[port]]"
            )
        for number, exchange in enumerate(self.exchange, start=1):
            answer = yield from self._ask(
                f"Exchange {number} of {len(self.exchange)}", exchange, self.context.stopped, GRACE
            )
            if answer.stopped:
                self.stopped = True
                self.remarks.append(f"Stopped: exchange {number} and what follows were not checked")
                return
            self._judge(number, exchange, answer)
            if self.failed:
                return

    def leave(self) -> None:
        """Send the leave sequence; called whatever happened, so it raises nothing."""
        try:
            for step in self.leave_steps:
                self._leave(step)
        except DeviceError as error:
            self.fail(
                f"{error}. The leave sequence could not be sent, so the logger may wait for commands and log "
                "nothing: switch it off and on, then run this again"
            )

    def _leave(self, step: Leave) -> None:
        sent = payload_of(step.send)
        if step.expect is None:
            self._send(sent)
            self.line.finish_writing()
            return
        within = min(step.within, _STOPPED_LEAVE) if self.context.stopped() else step.within
        exchange = Exchange(send=step.send, expect=step.expect, within=within)
        asking = self._ask("Leaving", exchange, lambda: False, 0.0)
        try:
            while True:
                next(asking)
        except StopIteration as end:
            answer: Answer = end.value
        if answer.match is None:
            heard = _shown(answer.heard) if answer.heard else "nothing"
            self.fail(
                f"After the leave sequence {_shown(sent)} the logger said {heard}, not "
                f"{_pattern(step.expect)}, so it may log nothing: switch it off and on, then run this again"
            )

    def _send(self, data: bytes) -> None:
        self.transcript.add("heard", self.line.waiting())
        self.transcript.add("sent ", data)
        self.line.write(data)

    def _ask(self, label: str, exchange: Exchange, stopped: Callable[[], bool], grace: float) -> Asking:
        """Send, then listen until the pattern is found and settled, or `within` and `grace` have passed."""
        sent = payload_of(exchange.send)
        answer = Answer()
        if stopped():
            return Answer(stopped=True)
        self._send(sent)
        started = time.monotonic()
        deadline = started + exchange.within
        shown = 0.0
        heard = bytearray()
        while (now := time.monotonic()) < (deadline + grace if answer.match is None else deadline):
            if stopped():
                answer.stopped = True
                break
            if now - shown >= _PROGRESS_EVERY:
                shown = now
                waited = min(now - started, exchange.within)
                yield Progress(f"{label}: {waited:.1f} s of {exchange.within:g} s", waited / exchange.within)
            piece = self.line.read()
            if not piece:
                if answer.match is not None:
                    break
                continue
            came = time.monotonic()
            self.transcript.add("heard", piece)
            heard += piece
            del heard[:-EVIDENCE_LIMIT]
            try:
                match = self.matcher.search(
                    exchange.expect, sent, bytes(heard), within=max(0.0, deadline - came) + grace + 0.1
                )
            except TooSlowError:
                answer.too_slow = True
                break
            if match is not None:
                answer.match = match
                answer.seconds = answer.seconds if answer.seconds is not None else came - started
                # A number may go on in the next piece, and what is left over would be taken for the next
                # reply: so wait for the line's end, or for quiet.
                if match.line_ended:
                    break
        answer.heard = bytes(heard)
        return answer

    def _judge(self, number: int, exchange: Exchange, answer: Answer) -> None:
        sent = payload_of(exchange.send)
        self.readings.append(
            Reading(
                name="logger.reply_time",
                value=None if answer.seconds is None else round(answer.seconds, 3),
                unit="s",
                at_most=exchange.within,
            )
        )
        head = f"Exchange {number}: sent {_shown(sent)}"
        if answer.match is not None and answer.seconds is not None:
            late = answer.seconds > exchange.within
            limit = f", later than the {exchange.within:g} s declared" if late else ""
            self.remarks.append(f"{head}, heard {_shown(answer.heard)} after {answer.seconds:.2f} s{limit}")
            if late:
                self.fail("The logger answers too late: wait until it has started, or raise `within`")
                return
            self._groups(answer.match)
        elif answer.too_slow:
            self.fail(
                f"{head}, heard {_shown(answer.heard)}; judging it by {_pattern(exchange.expect)} takes too "
                "long: simplify `expect`, without a repeat inside a repeat"
            )
        elif not answer.heard:
            self.fail(
                f"{head} and heard nothing for {exchange.within:g} s. Check that the logger is powered, that "
                f"its lead is on and the flight computer's transmit lead off, that transmit goes to receive "
                f"both ways, and that it runs at {self._speed()}"
            )
        elif only_echo(sent, answer.heard):
            self.fail(
                f"{head} and only our own bytes came back: transmit and receive are bridged, or the logger "
                "echoes without answering. Part the two leads and check the logger's own transmit lead"
            )
        elif _is_noise(answer.heard):
            self.fail(
                f"{head} and heard noise: {_shown(answer.heard)}. Check that the logger runs at "
                f"{self._speed()}, the ground lead and the level"
            )
        else:
            self.fail(
                f"{head} and heard {_shown(answer.heard)}, not {_pattern(exchange.expect)}. Check that the "
                "logger is in the state in which it answers; if this reply is right, correct `expect`"
            )

    def _groups(self, match: Match) -> None:
        for group, text in match.groups.items():
            number = _number(text)
            name = f"logger.{group}"
            if number is None or name == "logger.reply_time":
                self.remarks.append(f"{group}: {clean(text or 'not given', limit=100)}")
                continue
            limit = self.context.flight.limits.get(name)
            self.readings.append(
                Reading(
                    name=name,
                    value=number,
                    at_least=limit.at_least if limit else None,
                    at_most=limit.at_most if limit else None,
                )
            )

    def _speed(self) -> str:
        flight = self.context.flight
        port = next(port for port in flight.port if port.use == "logger")
        baud = port.baud or (flight.link.baud if flight.link else None)
        framing = port.framing or (flight.link.framing if flight.link else "8N1")
        return f"{baud} baud {framing}"


def _broken_pattern(flight: Flight) -> str | None:
    assert flight.logger is not None
    steps: tuple[Exchange | Leave, ...] = (*flight.logger.exchange, *flight.logger.leave)
    for step in steps:
        try:
            re.compile(step.expect or "", re.MULTILINE)
        except (re.error, OverflowError, RecursionError) as error:
            return (
                f"Not checked: {_pattern(step.expect or '')} in [logger] is no regular expression "
                f"({clean(str(error), limit=100)}): correct `expect`"
            )
    return None


def _finding(
    outcome: FindingOutcome,
    remarks: list[str],
    readings: tuple[Reading, ...] = (),
    evidence: tuple[Evidence, ...] = (),
) -> Finding:
    return Finding(
        check=LoggerResponse.name,
        outcome=outcome,
        readings=readings,
        remarks=tuple(remarks),
        evidence=evidence,
        reads=("link.baud", "link.framing", "port", "logger.exchange", "logger.leave"),
    )


def _is_noise(heard: bytes) -> bool:
    printable = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in heard)
    return printable < 0.8 * len(heard)


def _number(text: str | None) -> float | None:
    try:
        value = float(text) if text is not None and len(text) <= 40 else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _shown(data: bytes) -> str:
    return f"“{'…' if len(data) > 200 else ''}{clean(data[-200:], limit=200)}”"


def _pattern(pattern: str) -> str:
    return f"/{clean(pattern, limit=100)}/"


check = LoggerResponse()
