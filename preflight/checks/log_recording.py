"""The first half of test-log: the tap recorded over beacon intervals and a power cut, kept in a file."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Generator
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import Annotated

import msgspec

from preflight.checks.base import Context
from preflight.checks.live_tap import TapLive
from preflight.checks.tap import Capture, tap_port
from preflight.clean import clean
from preflight.config.flight import Flight
from preflight.config.flight import Sample as Layout
from preflight.decode import decoder_for
from preflight.decode.samples import Decoder, Sample
from preflight.devices.serial_line import SerialLine, open_port
from preflight.errors import DeviceError, PreflightError
from preflight.live import Live
from preflight.readings import Progress

FILE = "test-log.recording"
"""Beside the flight file; taken away once it was compared with a card."""

INTERVALS = 3
"""Beacon intervals that are recorded at least."""
SECONDS = 30.0, 3600.0
"""Seconds before the power is pulled: at least, and at most however long the beacon's interval is."""
CUT_WITHIN, BACK_WITHIN = 180.0, 180.0
"""Seconds in which the power must be pulled, and samples must be back."""
AFTER = 30.0
"""Seconds that are recorded once samples are back; loggers take some to start."""
REHEARSED, REHEARSED_QUIET = 2.0, 1.0
"""The same (and the seconds before the power is pulled at least), and QUIET, of a simulated payload."""
PULL, PUT_BACK = "PULL THE PAYLOAD'S POWER NOW", "Power is off"
"""How what is told to the crew begins."""
QUIET = 2.0
"""Seconds without a sample, four usual intervals at least, that are a power cut once it was asked for."""
FIRST_WITHIN = 15.0
"""Seconds, or five usual intervals, in which the first sample must come."""
MOST_DATA = 32 * 1024 * 1024
_LARGEST_FILE = 64 * 1024 * 1024
_REOPEN = 0.5
_SHOWN_EVERY = 0.1


class Recording(msgspec.Struct, frozen=True, kw_only=True):
    """What the tap heard: `marks` say how many bytes had come after how many seconds.

    `cut` is when the last sample came before the power was pulled and the first after it was back, None
    where it was not pulled. `layout` tells whether [sample] is still the same.
    """

    flight: str
    layout: str
    began: datetime
    interval: Annotated[float, msgspec.Meta(gt=0)]
    data: bytes
    marks: tuple[tuple[int, float], ...]
    cut: tuple[float, float] | None

    def decoded(self, layout: Layout) -> tuple[list[Sample], list[float]]:
        """The samples and when each was complete."""
        samples: list[Sample] = []
        times: list[float] = []
        decoder = decoder_for(layout, joined=True)
        begin = 0
        for end, second in self.marks:
            found = decoder.feed(self.data[begin:end])
            samples += found
            times += [second] * len(found)
            begin = end
        return samples, times


def layout_mark(flight: Flight) -> str:
    """Tells one [sample] from another."""
    return sha256(msgspec.json.encode(flight.sample)).hexdigest()[:16]


def save(folder: Path, recording: Recording) -> None:
    """Put the recording beside the flight file, whole or not at all; DeviceError where that can't be done."""
    path = folder / FILE
    part = path.with_name(FILE + ".part")
    try:
        with part.open("wb") as file:
            file.write(msgspec.json.encode(recording))
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise DeviceError(
            f"The recording could not be kept in {clean(str(path))}: {error.strerror or error}"
        ) from error


def load(folder: Path) -> Recording | None:
    """The recording beside the flight file, None where there is none; PreflightError if it can't be read."""
    path = folder / FILE
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise PreflightError(f"{FILE} is too large to be a recording: delete it")
        return msgspec.json.decode(path.read_bytes(), type=Recording)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise PreflightError(f"{FILE} can't be read: {error.strerror or error}") from error
    except (msgspec.DecodeError, ValueError) as error:
        raise PreflightError(f"{FILE} is damaged: delete it, then record anew") from error


def drop(folder: Path) -> None:
    """Take the recording away: the next run records anew."""
    with contextlib.suppress(OSError):
        (folder / FILE).unlink(missing_ok=True)


def record(context: Context) -> Generator[Progress, None, tuple[Recording, Capture]]:
    """Record beacon intervals, ask for the power to be pulled and put back, record on.

    The capture tells how it ended: `stopped`, `lost` in a sentence, or neither; without its samples'
    evidence limit. Raises DeviceError if the port can't be opened, PreflightError for a bad layout.
    """
    recorder = _Recorder(context)
    try:
        yield from recorder.run()
    finally:
        recorder.close()
    return recorder.recording(), recorder.heard


class _Recorder:
    def __init__(self, context: Context) -> None:
        flight = context.flight
        assert flight.sample is not None
        assert flight.beacon is not None
        self._context = context
        self._flight = flight
        self._layout = flight.sample
        self._interval = flight.beacon.interval
        self._decoder: Decoder = decoder_for(flight.sample, joined=True)
        self._line: SerialLine | None = None
        self._data = bytearray()
        self._marks: list[tuple[int, float]] = []
        self._cut: tuple[float, float] | None = None
        self._live = TapLive(flight)
        quickly = context.rehearsal
        least = REHEARSED if quickly else SECONDS[0]
        # Seconds before the power is pulled and after it is back; what lies between is the crew's.
        self._before = min(SECONDS[1], max(least, (INTERVALS + 0.1) * self._interval))
        self._after = max(REHEARSED if quickly else AFTER, 5 / self._layout.rate)
        self._shown = -_SHOWN_EVERY
        self._seen: tuple[Live, ...] = ()
        self.heard = Capture()

    def run(self) -> Generator[Progress, None, None]:
        self._line = self._open()
        self._started = time.monotonic()
        self.heard.began = self._context.clock.now().at
        yield from self._steady()
        if self._ended:
            return
        yield from self._power_cut()
        if self._ended or self._cut is None:
            return
        back = self._cut[1]
        while not self._ended and (since := self._now - back) < self._after:
            yield from self._listen()
            yield self._told("Power is back: recording on", self._before + since)

    def close(self) -> None:
        if self._line is not None:
            self._line.close()

    def recording(self) -> Recording:
        heard = self.heard
        heard.data, heard.size = bytes(self._data), len(self._data)
        heard.undecoded, heard.look = self._decoder.undecoded, self._decoder.look
        heard.notes = self._decoder.notes
        assert heard.began is not None
        return Recording(
            flight=self._flight.flight.name,
            layout=layout_mark(self._flight),
            began=heard.began,
            interval=self._interval,
            data=heard.data,
            marks=tuple(self._marks),
            cut=self._cut,
        )

    @property
    def _now(self) -> float:
        return time.monotonic() - self._started

    @property
    def _last(self) -> float:
        return self.heard.times[-1] if self.heard.times else 0.0

    @property
    def _ended(self) -> bool:
        self.heard.seconds = self._now
        self.heard.stopped = self.heard.stopped or self._context.stopped()
        return self.heard.stopped or self.heard.lost is not None or len(self._data) >= MOST_DATA

    def _open(self) -> SerialLine:
        return open_port(tap_port(self._context), self._flight.link, self._context.folder)

    def _steady(self) -> Generator[Progress, None, None]:
        """Whole beacon intervals, and a little, so that as many transmissions are among them."""
        first = max(FIRST_WITHIN, 5 / self._layout.rate)
        while not self._ended and self._now < self._before:
            yield from self._listen()
            if not self.heard.samples and self._now >= first:
                self.heard.lost = ""
                return
            yield self._told("Recording, box closed, beacon on", min(self._now, self._before))

    def _power_cut(self) -> Generator[Progress, None, None]:
        """Until samples have stopped and come back."""
        asked = self._now
        quiet = REHEARSED_QUIET if self._context.rehearsal else QUIET
        quiet = max(quiet, 4 / self._layout.rate)
        while not self._ended:
            yield from self._listen(lost_is_cut=True)
            silent = self._now - self._last
            if silent >= quiet:
                break
            if self._now - asked >= CUT_WITHIN:
                return
            left = f"{max(0.0, CUT_WITHIN - self._now + asked):.0f} s left"
            yield Progress(f"{PULL}, in the middle of writing: {left}", live=self._to_see())
        before, count, begin = self._last, len(self.heard.samples), self._now
        while not self._ended:
            yield from self._listen(lost_is_cut=True)
            if len(self.heard.samples) > count:
                self._cut = (before, self.heard.times[count])
                return
            if self._now - begin >= BACK_WITHIN:
                self.heard.lost = (
                    f"Nothing came for {BACK_WITHIN:.0f} s after the power was pulled: was it put back, and "
                    "does the flight computer start by itself?"
                )
                return
            left = f"{max(0.0, BACK_WITHIN - self._now + begin):.0f} s left"
            yield Progress(f"{PUT_BACK}: count to five, then PUT IT BACK, {left}", live=self._to_see())

    def _listen(self, *, lost_is_cut: bool = False) -> Generator[Progress, None, None]:
        """One read; the port is opened again where it went with the power."""
        piece = b""
        try:
            if self._line is None:
                self._line = self._open()
            piece = self._line.read()
        except DeviceError as error:
            self.close()
            self._line = None
            if not lost_is_cut:
                self.heard.lost = str(error)
                return
            until = time.monotonic() + _REOPEN
            while time.monotonic() < until and not self._context.stopped():
                time.sleep(0.05)
                yield Progress("The port went with the power: put it back")
        if not piece:
            return
        second = self._now
        self._data += piece
        self._marks.append((len(self._data), second))
        found = self._decoder.feed(piece)
        self.heard.samples += found
        self.heard.times += [second] * len(found)
        self._live.took(piece, found, second, self._decoder)

    def _told(self, text: str, seconds: float) -> Progress:
        """What is being done; `seconds` of those that are recorded on both sides of the cut are over."""
        text = f"{text}: {len(self.heard.samples)} samples"
        return Progress(text, seconds / (self._before + self._after), live=self._to_see())

    def _to_see(self) -> tuple[Live, ...]:
        now = self._now
        if now - self._shown >= _SHOWN_EVERY:
            self._shown = now
            self._seen = self._live.shown(now)
        return self._seen
