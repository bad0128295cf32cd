"""logger-response: talk to the logger, judge its replies, and always leave it logging again."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass
from datetime import UTC

from preflight.checks.base import Context, Run
from preflight.checks.listening import ask_at_speeds
from preflight.checks.replies import Match, Matcher, TooSlowError
from preflight.checks.talk import EVIDENCE_LIMIT, Transcript, is_noise, payload_of, shown
from preflight.checks.unanswered import holds_samples, unanswered
from preflight.clean import clean
from preflight.config.flight import Exchange, Flight, Leave
from preflight.devices.serial_line import PortUnusableError, SerialLine, open_port
from preflight.errors import DeviceError
from preflight.readings import Evidence, Finding, FindingOutcome, Progress, Reading

EARLY = 0.6
"""Seconds after opening in which a start-up message is listened to, if one comes at once."""
GRACE = 0.2
"""Seconds listened on past `within`, so that a late reply is told from none."""
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


class LoggerResponse:
    """Sends each [[logger.exchange]] in order and judges the reply; the first bad one ends it.

    The [[logger.leave]] sequence goes out whenever the port was opened: after success, failure, a stop or an
    error of this tool. The finding is there within the times declared plus one second; where nothing answers
    at the declared speed, other speeds are asked at first (see `listening`).
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
                yield talk.progress("Leaving the logger so that it logs again", talk.asked)
            except DeviceError as error:
                talk.faults.append(str(error))
            finally:
                talk.leave()
        # Whoever judged samples before this can't know whether they still reach the card.
        talk.readings.append(Reading(name="logger.left_at", value=_utc(context)))
        return _finding(
            talk.outcome(),
            [*talk.faults, *talk.remarks],
            tuple(talk.readings),
            talk.transcript.evidence(),
            talk.power_cycle,
        )


class _Talk:
    """One conversation with the logger and what came of it."""

    def __init__(self, line: SerialLine, matcher: Matcher, context: Context) -> None:
        logger = context.flight.logger
        assert logger is not None
        self.exchange, self.leave_steps = logger.exchange, logger.leave
        self.line, self.matcher, self.context = line, matcher, context
        self.faults: list[str] = []
        self.remarks: list[str] = []
        self.readings: list[Reading] = []
        self.transcript = Transcript()
        self.stopped = False
        self.early = b""
        self.power_cycle = ""
        # Seconds that everything may take, and those of the exchanges that are over.
        self.asked = sum(step.within for step in logger.exchange)
        self._longest = self.asked + sum(step.within for step in logger.leave if step.expect is not None)
        self._over = 0.0

    def progress(self, text: str, seconds: float) -> Progress:
        """What is being done; `seconds` of what everything may take are over."""
        share = seconds / self._longest if self._longest else None
        return Progress(text, share, live=(self.transcript.live(),))

    def outcome(self) -> FindingOutcome:
        if self.faults or any(reading.within is False for reading in self.readings):
            return "no-go"
        return "open" if self.stopped else "go"

    def exchanges(self) -> Generator[Progress, None, None]:
        self.matcher.start()
        self._listen_first()
        for number, exchange in enumerate(self.exchange, start=1):
            answer = yield from self._ask(
                f"Exchange {number} of {len(self.exchange)}", exchange, self.context.stopped, GRACE
            )
            if answer.stopped:
                self.stopped = True
                self.remarks.insert(0, f"Stopped: exchange {number} and what follows were not checked")
                return
            self._over += exchange.within
            in_doubt = self._judge(number, exchange, answer)
            if in_doubt and number == 1:
                listened = yield from ask_at_speeds(
                    self.context, self.line, self.matcher, exchange, self.transcript
                )
                if listened.sentence:
                    self.faults.insert(0 if listened.found else len(self.faults), listened.sentence)
            if self.faults:
                return

    def _listen_first(self) -> None:
        """What comes by itself right after opening is often a start-up message: opening restarts some."""
        early = bytearray()
        until = time.monotonic() + EARLY
        while (piece := self.line.read()) and time.monotonic() < until:
            early += piece
        early += piece
        self.early = bytes(early)
        self.transcript.add("heard", self.early)
        if not early or holds_samples(self.context, self.early):
            return
        self.remarks.append(
            f"Before anything was sent the logger said {shown(self.early)}. If that is its start-up message, "
            "opening the port restarted it: set dtr and rts in its [[port]]"
        )
        if len(early) >= 4 and not is_noise(self.early):
            self.power_cycle = f"seen at the logger: it said {shown(self.early)} when the port was opened"

    def leave(self) -> None:
        """Send the leave sequence; called whatever happened, so it raises nothing."""
        try:
            for step in self.leave_steps:
                self._leave(step)
        except DeviceError as error:
            self.faults.append(
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
            heard = shown(answer.heard) if answer.heard else "nothing"
            self.faults.append(
                f"The logger may log nothing: after the leave sequence {shown(sent)} it said {heard}, not "
                f"{_pattern(step.expect)}. Switch it off and on, then run this again"
            )

    def _send(self, data: bytes) -> None:
        self.transcript.add("heard", self.line.waiting())
        self.transcript.add("sent", data)
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
        last = 0.0
        heard = bytearray()
        while (now := time.monotonic()) < (deadline + grace if answer.match is None else deadline):
            if stopped():
                answer.stopped = True
                break
            if now - last >= _PROGRESS_EVERY:
                last = now
                waited = min(now - started, exchange.within)
                text = f"{label}: {waited:.1f} s of {exchange.within:g} s"
                yield self.progress(text, self._over + waited)
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

    def _judge(self, number: int, exchange: Exchange, answer: Answer) -> bool:
        """Note what came of an exchange; whether the speed may be why there was no answer."""
        sent = payload_of(exchange.send)
        self.readings.append(
            Reading(
                name="logger.reply_time",
                value=None if answer.seconds is None else round(answer.seconds, 3),
                unit="s",
                at_most=exchange.within,
            )
        )
        head = f"exchange {number} sent {shown(sent)}"
        if answer.match is not None and answer.seconds is not None:
            late = answer.seconds > exchange.within
            limit = f", later than the {exchange.within:g} s declared" if late else ""
            told = f"heard {shown(answer.heard)} after {answer.seconds:.2f} s{limit}"
            self.remarks.append(f"{head[0].upper()}{head[1:]}, {told}")
            if late:
                self.faults.append(
                    "The logger answers too late: wait until it has started, or raise `within`"
                )
                return False
            self._groups(answer.match)
        elif answer.too_slow:
            self.faults.append(
                f"The reply takes too long to judge by `expect`: {head}, heard {shown(answer.heard)}. "
                f"Simplify {_pattern(exchange.expect)}, without a repeat inside a repeat"
            )
        else:
            why = unanswered(
                self.context,
                head,
                sent,
                answer.heard,
                self.early,
                within=exchange.within,
                expected=_pattern(exchange.expect),
            )
            self.faults.append(why.sentence)
            return why.speed_in_doubt
        return False

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


def _broken_pattern(flight: Flight) -> str | None:
    assert flight.logger is not None
    steps: tuple[Exchange | Leave, ...] = (*flight.logger.exchange, *flight.logger.leave)
    for step in steps:
        try:
            re.compile(step.expect or "", re.MULTILINE)
        except (re.error, OverflowError, RecursionError) as error:
            return (
                "Not checked: `expect` in [logger] is no regular expression: "
                f"{_pattern(step.expect or '')} ({clean(str(error), limit=100)}). Correct it"
            )
    return None


def _finding(
    outcome: FindingOutcome,
    remarks: list[str],
    readings: tuple[Reading, ...] = (),
    evidence: tuple[Evidence, ...] = (),
    power_cycle: str = "",
) -> Finding:
    return Finding(
        check=LoggerResponse.name,
        outcome=outcome,
        readings=readings,
        remarks=tuple(remarks),
        evidence=evidence,
        reads=("link.baud", "link.framing", "port", "logger.exchange", "logger.leave"),
        power_cycle=power_cycle,
    )


def _utc(context: Context) -> str:
    at = context.clock.now().at.astimezone(UTC)
    return at.isoformat(sep=" ", timespec="milliseconds").replace("+00:00", " UTC")


def _number(text: str | None) -> float | None:
    try:
        value = float(text) if text is not None and len(text) <= 40 else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _pattern(pattern: str) -> str:
    return f"/{clean(pattern, limit=100)}/"


check = LoggerResponse()
