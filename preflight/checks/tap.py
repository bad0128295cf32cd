"""The tap: what the checks that listen on the flight computer's line share."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from datetime import datetime

from preflight.checks.base import Context
from preflight.checks.live_tap import TapLive
from preflight.clean import clean
from preflight.config.flight import Port
from preflight.config.flight import Sample as Layout
from preflight.decode import decoder_for
from preflight.decode.samples import Sample
from preflight.devices.serial_line import open_port
from preflight.errors import DeviceError
from preflight.live import Live
from preflight.readings import Evidence, Progress, Reading

LEAST_SAMPLES = 20
LEAST_SECONDS = 3.0
LONGEST = 120.0
"""Seconds that samples are waited for at most, at the declared rate."""
MOST_SAMPLES = 1000
SILENCE = 3.0
"""Seconds without a byte after which no more is waited for; longer where samples are rarer than that."""
HOPELESS_AFTER = 4.0
HOPELESS_LENGTHS = 8
"""Seconds, and sample lengths of bytes, after which something else than samples must be coming."""
EVIDENCE_LIMIT = 1024 * 1024
LEADS = "Tap on the flight computer's transmit line, the tool's own transmit lead off"
PUT_BACK = "Tap off, flight computer's transmit lead back on the logger"

_PROGRESS_EVERY = 0.1


@dataclass(slots=True)
class Capture:
    """What the tap heard.

    `times` are when each sample was complete and `first` when the first byte came, in seconds since the
    start, which was at `began` by this laptop's clock; `data` the first EVIDENCE_LIMIT of the `size` bytes
    heard. `lost` is what happened to the line in the middle, `stopped` whether the crew ended it,
    `undecoded`, `look` and `notes` are the decoder's.
    """

    samples: list[Sample] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    data: bytes = b""
    size: int = 0
    seconds: float = 0.0
    first: float | None = None
    began: datetime | None = None
    stopped: bool = False
    lost: str | None = None
    undecoded: int = 0
    look: bytes = b""
    notes: list[str] = field(default_factory=list)

    def evidence(self) -> tuple[Evidence, ...]:
        return (Evidence(name="tap capture", data=self.data),) if self.data else ()

    @property
    def rate(self) -> float | None:
        """Samples a second between the first and the last; None of fewer than three."""
        if len(self.times) < 3 or self.times[-1] <= self.times[0]:
            return None
        return (len(self.times) - 1) / (self.times[-1] - self.times[0])


def wanted_samples(layout: Layout) -> int:
    """How many samples tell enough: LEAST_SAMPLES and LEAST_SECONDS of them, fewer where they are rare."""
    wanted = max(LEAST_SAMPLES, math.ceil(LEAST_SECONDS * layout.rate))
    return max(3, min(wanted, MOST_SAMPLES, int(LONGEST * layout.rate)))


Seen = tuple[tuple[Reading, ...], tuple[Live, ...]]
"""Readings and more that a check shows while it listens."""


def capture(
    context: Context, wanted: int, also: Callable[[Capture], Seen] | None = None
) -> Generator[Progress, None, Capture]:
    """Listen until `wanted` samples have come, half as long again as that should take, or a silence.

    Ends as well when bytes enough for several samples have come and none was among them. `also` gives what a
    check shows beside lines and rate; it is asked at most ten times a second.
    Raises DeviceError if the port can't be opened, PreflightError for a layout that can't be decoded.
    """
    flight = context.flight
    assert flight.sample is not None
    layout = flight.sample
    decoder = decoder_for(layout, joined=True)
    patience = SILENCE + 1.5 * wanted / layout.rate
    silence = max(SILENCE, 3.0 / layout.rate)
    hopeless = max(HOPELESS_AFTER, 4.0 / layout.rate)
    heard = Capture()
    kept = bytearray()
    live = TapLive(flight)
    with open_port(tap_port(context), flight.link, context.folder) as line:
        started = last = time.monotonic()
        heard.began = context.clock.now().at
        shown = 0.0
        while len(heard.samples) < wanted:
            now = time.monotonic()
            heard.seconds = now - started
            if context.stopped():
                heard.stopped = True
                break
            if heard.seconds >= patience or now - last >= silence:
                break
            enough = heard.size >= HOPELESS_LENGTHS * layout.length
            if not heard.samples and enough and heard.seconds >= hopeless:
                break
            if now - shown >= _PROGRESS_EVERY:
                shown = now
                yield _progress(heard, wanted, live, also)
            try:
                piece = line.read()
            except DeviceError as error:
                heard.lost = str(error)
                break
            if not piece:
                continue
            last = time.monotonic()
            if heard.first is None:
                heard.first = last - started
            heard.size += len(piece)
            kept += piece[: EVIDENCE_LIMIT - len(kept)]
            found = decoder.feed(piece)
            heard.samples += found
            heard.times += [last - started] * len(found)
            live.took(piece, found, last - started, decoder)
    if heard.size:
        yield _progress(heard, wanted, live, also)
    heard.data = bytes(kept)
    heard.undecoded, heard.look, heard.notes = decoder.undecoded, decoder.look, decoder.notes
    return heard


def tap_port(context: Context) -> Port:
    """The flight file's tap."""
    return next(port for port in context.flight.port if port.use == "tap")


def speed_text(context: Context) -> str:
    """The tap's speed and framing in words."""
    port, link = tap_port(context), context.flight.link
    baud = port.baud or (link.baud if link is not None else None)
    framing = port.framing or (link.framing if link is not None else "8N1")
    return f"{baud} baud {framing}"


def nothing_decoded(context: Context, heard: Capture) -> str:
    """Why no sample was found in what was heard, as far as its bytes tell, and what to do."""
    speed = speed_text(context)
    if heard.size == 0:
        return (
            f"Nothing came in {heard.seconds:.0f} s. Check that the payload is on and that the tap is on the "
            "flight computer's transmit pin and on its ground"
        )
    start = heard.look or heard.data
    shown = f"“{clean(start[:120], limit=120)}”"
    if len(set(heard.data)) == 1 and heard.data[0] in (0x00, 0xFF):
        return (
            f"The line is held: only bytes {heard.data[0]:02X} came, {heard.size} of them. Check the level, "
            "that it is not inverted, and that the payload is on"
        )
    printable = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in heard.data)
    assert context.flight.sample is not None
    layout = context.flight.sample.format
    if printable < 0.85 * len(heard.data) and layout != "packed":
        return (
            f"Noise came, {heard.size} bytes, and no sample: {shown}. Check that it is sent at "
            f"{speed}, the ground lead, and that the line is not inverted"
        )
    what = "bytes" if layout == "packed" else "text"
    return (
        f"No sample of the declared {layout} layout came, but {heard.size} bytes of {what}: {shown}. "
        f"Compare [sample] with what the flight computer sends, and its speed with {speed}"
    )


def _progress(heard: Capture, wanted: int, live: TapLive, also: Callable[[Capture], Seen] | None) -> Progress:
    rate = heard.rate
    reading = None if rate is None else Reading(name="sample.rate", value=rate, unit="Hz")
    at_rate = "" if rate is None else f", {rate:.1f} Hz"
    text = f"{len(heard.samples)} of {wanted} samples{at_rate}"
    readings, more = also(heard) if also is not None and heard.samples else ((), ())
    share = min(1.0, len(heard.samples) / wanted)
    seen = live.shown(heard.seconds)
    # A strip of the check's own takes the place of rate and jitter.
    return Progress(text, share, reading, readings, (*more, *(seen[:1] if more else seen)))
