"""Listening at other speeds when nothing decodes: what is valid where, against what the flight file says.

Bounded in time, with progress, and ended by a stop. The port is set to each speed while it stays open, as
opening restarts some boards.
"""

from __future__ import annotations

import time
from collections.abc import Generator
from dataclasses import dataclass

from preflight.checks.base import Context
from preflight.checks.replies import Matcher, TooSlowError, only_echo
from preflight.checks.talk import Transcript, payload_of, printable_share, shown
from preflight.checks.tap import Capture, tap_port
from preflight.config.flight import Exchange, Port
from preflight.config.flight import Sample as Layout
from preflight.decode import decoder_for
from preflight.devices.serial_line import SerialLine, open_port
from preflight.errors import DeviceError
from preflight.readings import Progress

RATES = (9600, 19200, 38400, 57600, 115200, 4800, 2400, 1200, 230400, 460800, 921600)
"""Speeds in bit/s in the order they are tried: the usual ones first."""
LONGEST = 90.0
"""Seconds that listening at all of them takes at most."""
ANSWER_WITHIN = 0.6
"""Seconds that an answer is waited for at each speed, at most what is declared."""

_SETTLED = 0.15  # seconds after which nothing is left of what came at the speed before
_SURE = 48  # bytes after which noise is noise
_TEXT = 0.97  # share of printable bytes from which it is text
_NOISE = 0.9  # share below which a speed is given up early
_PROGRESS_EVERY = 0.1


@dataclass(frozen=True, slots=True)
class Listened:
    """What came of it, as a sentence; `found` is whether it names the speed or framing that is right."""

    sentence: str = ""
    found: bool = False


def worth_listening(context: Context, heard: Capture) -> bool:
    """Whether another speed could be why no sample was among what was heard."""
    if heard.samples or heard.stopped or heard.lost is not None or heard.size == 0:
        return False
    if len(set(heard.data)) == 1 and heard.data[0] in (0x00, 0xFF):
        return False
    assert context.flight.sample is not None
    return context.flight.sample.format == "packed" or printable_share(heard.data) < _NOISE


def listen_on_tap(context: Context, heard: Capture) -> Generator[Progress, None, Listened]:
    """Look for the speed at which the tap hears samples; `heard` is what came at the declared one.

    Raises nothing: a line lost meanwhile is told in the sentence.
    """
    layout = context.flight.sample
    assert layout is not None
    port = tap_port(context)
    declared, framing = _declared(context, port)
    parity = parity_seen(heard.data) if framing == "8N1" else ""
    if parity:
        return Listened(
            f"The framing is {parity}, the flight file says {framing}: the bytes are text of seven bits with "
            f"a parity bit. Correct framing, or the flight computer's setting, then run this again",
            found=True,
        )
    if port.at.lower().startswith("socket:"):
        return Listened("The speed of a socket is set at its other end: compare it there")
    try:
        with open_port(port, context.flight.link, context.folder) as line:
            return (yield from _at_each(context, line, layout, declared))
    except DeviceError as error:
        return Listened(f"Other speeds were not listened at: {error}")


def _at_each(
    context: Context, line: SerialLine, layout: Layout, declared: int
) -> Generator[Progress, None, Listened]:
    deadline = time.monotonic() + LONGEST
    rates = [rate for rate in RATES if rate != declared]
    tried: list[int] = []
    text: tuple[int, bytes] | None = None
    for number, rate in enumerate(rates):
        line.set_speed(rate)
        begun = time.monotonic()
        ends = min(deadline, begun + _dwell(layout, rate))
        decoder = decoder_for(layout, joined=True)
        data = bytearray()
        last = 0.0
        while (now := time.monotonic()) < ends:
            if context.stopped():
                return Listened("Stopped while listening at other speeds: not all were tried")
            if now - last >= _PROGRESS_EVERY:
                last = now
                yield Progress(f"Nothing decodes: listening at {rate} baud", number / len(rates))
            piece = line.read()
            if now - begun >= _SETTLED:
                data += piece
            if any(not sample.faults for sample in decoder.feed(piece)):
                return Listened(_told("Samples are", rate, declared, "run this again"), found=True)
            if layout.format != "packed" and len(data) >= _SURE and printable_share(bytes(data)) < _NOISE:
                break
        if text is None and _is_text(bytes(data)):
            text = rate, bytes(data)
        if now >= deadline:
            break
        tried.append(rate)
    if text is not None:
        return Listened(
            _told(
                "Text is",
                text[0],
                declared,
                "compare [sample] with it, as it is no sample of the declared layout: "
                f"{shown(text[1][-60:])}",
            ),
            found=True,
        )
    left = [str(rate) for rate in rates if rate not in tried]
    untried = f"; no time was left for {', '.join(left)} baud" if left else ""
    speeds = f"Listened at {', '.join(map(str, tried))} baud as well: no sample at any of them{untried}"
    return Listened(f"{speeds}. So look for a missing ground, a wrong level or an inverted line first")


def ask_at_speeds(
    context: Context, line: SerialLine, matcher: Matcher, exchange: Exchange, transcript: Transcript
) -> Generator[Progress, None, Listened]:
    """Ask the logger `exchange` at other speeds.

    The line stays at a speed that is answered, so that the logger is left at it; else it is back at the
    declared one. Raises DeviceError if it is lost.
    """
    port = next(port for port in context.flight.port if port.use == "logger")
    declared, _ = _declared(context, port)
    if port.at.lower().startswith("socket:"):
        return Listened("The speed of a socket is set at its other end: compare it there")
    rates = [rate for rate in RATES if rate != declared]
    found = False
    try:
        for number, rate in enumerate(rates, start=1):
            if context.stopped():
                return Listened("Stopped while asking at other speeds: not all were tried")
            yield Progress(f"No answer: asking at {rate} baud, {number} of {len(rates)} speeds")
            line.set_speed(rate)
            heard = _asked(line, exchange, transcript, rate)
            answered = _matches(matcher, exchange, heard)
            found = answered or (_is_text(heard) and not only_echo(payload_of(exchange.send), heard))
            if found and not answered:
                # It may have complained of what it heard at the speeds before.
                heard = _asked(line, exchange, transcript, rate) or heard
                answered = _matches(matcher, exchange, heard)
            if found:
                what = "The logger's answers are" if answered else "Text of the logger's is"
                then = "run this again" if answered else f"run this again: {shown(heard)} was heard"
                return Listened(_told(what, rate, declared, then), found=True)
    finally:
        if not found:
            line.set_speed(declared)
    asked = f"Asked at {', '.join(map(str, rates))} baud as well: no answer at any of them"
    return Listened(asked if rates else "")


def _asked(line: SerialLine, exchange: Exchange, transcript: Transcript, rate: int) -> bytes:
    sent = payload_of(exchange.send)
    transcript.add("sent", sent, f"at {rate} baud")
    line.write(sent)
    heard = bytearray()
    ends = time.monotonic() + min(exchange.within, ANSWER_WITHIN)
    while time.monotonic() < ends:
        piece = line.read()
        if heard and not piece:
            break
        heard += piece
    transcript.add("heard", bytes(heard), f"at {rate} baud")
    return bytes(heard)


def _matches(matcher: Matcher, exchange: Exchange, heard: bytes) -> bool:
    if not heard:
        return False
    try:
        found = matcher.search(exchange.expect, payload_of(exchange.send), heard, within=1.0)
    except TooSlowError:
        return False
    return found is not None


def parity_seen(data: bytes) -> str:
    """The framing of seven-bit text heard as eight bits: "7E1", "7O1", or "" where it is neither."""
    seven = bytes(byte & 0x7F for byte in data)
    marked = sum(byte >= 0x80 for byte in data)
    # Without bytes of both kinds it may be plain text, or anything whose top bit is always set.
    if len(data) < 24 or not 0.1 * len(data) <= marked <= 0.9 * len(data) or printable_share(seven) < _TEXT:
        return ""
    odd = sum(byte.bit_count() % 2 for byte in data)
    if odd <= 0.03 * len(data):
        return "7E1"
    return "7O1" if odd >= 0.97 * len(data) else ""


def _told(what: str, rate: int, declared: int, then: str) -> str:
    return (
        f"{what} valid at {rate} baud, the flight file says {declared}: correct baud, or set the sender to "
        f"{declared}, then {then}"
    )


def _is_text(data: bytes) -> bool:
    return len(data) >= 4 and printable_share(data) >= _TEXT


def _dwell(layout: Layout, rate: int) -> float:
    """Seconds in which at least one whole sample passes, if samples come as declared."""
    return max(0.5, 2.2 / layout.rate + 2 * layout.length * 12 / rate)


def _declared(context: Context, port: Port) -> tuple[int, str]:
    link = context.flight.link
    baud = port.baud or (link.baud if link is not None else 0)
    return baud, port.framing or (link.framing if link is not None else "8N1")
