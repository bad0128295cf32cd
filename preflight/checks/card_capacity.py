"""card-capacity: does the card hold as much as it says? Once in a card's life.

A counterfeit claims more than it has: what is written beyond its real end lands on what was written before,
or nowhere. Every page carries its own address, so that the one is told from the other and from plain errors.

Sampled, one stretch at the start of the free space is filled without a gap, and blocks are written beyond it,
never further apart than that stretch is long: a block behind the real end of a card that wraps around lands
in the stretch, wherever that end is.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Generator, Iterator
from dataclasses import dataclass

from preflight.checks.base import Context, Run
from preflight.checks.card import size_text
from preflight.checks.card_target import FROM_MEMORY, on_card, read_all_back, remove
from preflight.checks.judgement import Judgement
from preflight.checks.live_strip import Strip
from preflight.clean import clean
from preflight.devices.marked_blocks import Pattern, Tally
from preflight.devices.own_file import NAME, FullError, OwnFile, Place
from preflight.live import Trace
from preflight.readings import Evidence, Progress

CHUNK = 1 << 20
"""Bytes written at a time."""
SAMPLES = 128
"""Blocks spread over the free space."""
SAMPLE = 1 << 16
"""Bytes of a block."""
SMALL = 1 << 28
"""Up to this much free space, all of it is filled."""
FILE = 1 << 31
"""Bytes of one file; every FAT takes as much."""
MOST_FILES = 200
SYNCED = 8
"""Chunks after which the card has to confirm, so that progress is the card's and not the memory's."""
SPARE = 1 << 20
"""Bytes left free, for what the file system keeps of its own."""

_EACH = 0.25  # seconds that a point of the speed stands for at least

_SYSTEMS_OWN = (
    *("system volume information", "$recycle.bin", "lost+found", "lost.dir"),
    *(".spotlight-v100", ".fseventsd", ".trashes", ".temporaryitems"),
)


class CardCapacity:
    """Fills the free space, or samples all over it, with marked pages and reads them back."""

    name = "card-capacity"
    title = "Card holds what it claims"
    needs = ("card",)
    leads = ""
    put_back = ""
    on_request = True

    def run(self, context: Context) -> Run:
        judgement = Judgement(self.name, ("card", "card.identity"), context)
        return (yield from on_card(judgement, context, _test))


@dataclass
class _Stretch:
    """One file: it starts at `base` of the test's own addresses, `length` bytes of it are written."""

    file: OwnFile
    base: int
    length: int


def _test(judgement: Judgement, place: Place, context: Context) -> Generator[Progress, None, None]:
    kept = [name for name in place.names() if not NAME.fullmatch(name) and not _is_systems(name)]
    if kept:
        judgement.gaps.append(
            f"{len(kept)} files or folders are on the card ({clean(kept[0], limit=40)}), so nothing was "
            "written: one that lies about its size writes over what is on it. Save them, clear the card, and "
            "run this check again"
        )
        return
    room = place.room()
    if room is None:
        judgement.gaps.append("the system tells no free space of this card, so nothing was written")
        return
    if room < 4 * CHUNK:
        judgement.faults.append(f"Too little room is left to test the card, {size_text(room)}: use another")
        return
    work = _Work(judgement, place, context, (room - SPARE) // CHUNK * CHUNK)
    try:
        yield from work.write()
        if not work.ended:
            yield from work.read_back()
    finally:
        work.tell()
        work.remove()


def _is_systems(name: str) -> bool:
    """What systems put on a card by themselves."""
    return name.casefold() in _SYSTEMS_OWN or name.startswith((".Trash-", "._"))


class _Work:
    """One run over `room` bytes. `ended` says that the crew stopped it."""

    def __init__(self, judgement: Judgement, place: Place, context: Context, room: int) -> None:
        self.ended = False
        self._judgement = judgement
        self._place = place
        self._context = context
        self._pattern = Pattern(secrets.randbits(64))
        self._room = room
        self._stretches: list[_Stretch] = []
        self._tally = Tally()
        self._past_memory = True
        self._read = 0
        card = context.flight.card
        self._all = room <= SMALL or (card is not None and card.capacity_test == "all")
        self._meter = _Meter(room if self._all else 0)

    def write(self) -> Generator[Progress, None, None]:
        """Fill the free space, or samples of it."""
        if self._all:
            yield from self._fill(0, self._room)
        else:
            yield from self._write_samples()

    def read_back(self) -> Generator[Progress, None, None]:
        """Compare everything that was written."""
        self._place.check()
        self._meter.start_reading(sum(stretch.length for stretch in self._stretches))
        for stretch in self._stretches:
            before = 0
            for offset in read_all_back(stretch.file, self._pattern, stretch.base, self._tally):
                self._read += offset - before
                self._meter.add(offset - before)
                before = offset
                if self._stopped("read back"):
                    return
                yield self._meter.progress("Reading back")
            self._past_memory &= stretch.file.past_memory

    def tell(self) -> None:
        """What was found, as far as it came."""
        judgement, tally = self._judgement, self._tally
        if not self._read:
            return
        judgement.read("card.tested", self._read)
        judgement.read("card.wrong_pages", tally.wrong)
        if tally.wrong:
            judgement.evidence.append(Evidence(name="first page read back wrong", data=tally.first_wrong))
        judgement.faults += _named(tally)
        if not self._past_memory:
            judgement.remarks.append(FROM_MEMORY)

    def remove(self) -> None:
        """Take every file off the card again."""
        remove((stretch.file for stretch in self._stretches), self._judgement)

    def _write_samples(self) -> Generator[Progress, None, None]:
        gap = -(-self._room // SAMPLES // CHUNK) * CHUNK
        self._meter = _Meter(gap + self._room // gap * SAMPLE)
        yield from self._fill(0, gap)
        base = gap
        while not self.ended and (left := self._room - base) >= SAMPLE:
            here = gap
            if left <= gap:
                # One more block ends where the free space does: beyond it nothing would be tested.
                here = left - SAMPLE if left >= 2 * SAMPLE else left
            stretch = self._add(base)
            try:
                reserved = stretch.file.reserve(here)
                if reserved:
                    yield from self._write(stretch, SAMPLE)
            except FullError:
                return  # what the system told of its room was too much
            if not reserved:
                yield from self._fill_instead(base)
                return
            base += here

    def _fill_instead(self, base: int) -> Generator[Progress, None, None]:
        self._judgement.remarks.append(
            "This file system can't reserve room without writing it, so all of the free space was filled "
            "instead of samples"
        )
        self._meter.expect(self._room)
        yield from self._fill(base, self._room)

    def _fill(self, start: int, end: int) -> Generator[Progress, None, None]:
        """Write from `start` to `end`, in as many files as that takes."""
        most = max(FILE, -(-end // MOST_FILES // CHUNK) * CHUNK)
        for base in range(start, end, most):
            stretch = self._add(base)
            try:
                yield from self._write(stretch, min(most, end - base))
            except FullError:
                if not stretch.length and base == start:
                    raise
                return  # what the system told of its room was too much
            if self.ended:
                return

    def _add(self, base: int) -> _Stretch:
        stretch = _Stretch(self._place.create(), base, 0)
        self._stretches.append(stretch)
        return stretch

    def _write(self, stretch: _Stretch, length: int) -> Generator[Progress, None, None]:
        for at in range(0, length, CHUNK):
            if self._stopped("written"):
                return
            self._place.check()
            size = min(CHUNK, length - at)
            synced = at // CHUNK % SYNCED == SYNCED - 1 or at + size == length
            stretch.file.append(self._pattern.bytes_at(stretch.base + at, size), synced=synced)
            stretch.length += size
            self._meter.add(size)
            yield self._meter.progress("Writing patterns")

    def _stopped(self, doing: str) -> bool:
        if self._context.stopped() and not self.ended:
            self.ended = True
            self._judgement.gaps.append(
                f"the rest of the card: stopped after {size_text(self._meter.done)} were {doing}"
            )
        return self.ended


def _named(tally: Tally) -> Iterator[str]:
    """The faults that a tally shows, each with what to do."""
    pages = tally.right + tally.wrong
    if tally.elsewhere:
        about = size_text(tally.distance) if tally.distance else "less than it claims"
        yield (
            f"The card is a counterfeit: {tally.elsewhere} of {pages} pages hold what was written to another "
            f"place, as its memory ends after about {about} and starts over. Destroy it, and test others "
            "from the same source"
        )
    if tally.empty:
        yield (
            f"{tally.empty} of {pages} pages came back empty, the first {size_text(tally.first_at or 0)} "
            "into the free space: the card loses what is written there, as one does that claims more than it "
            "has. Use another"
        )
    if tally.changed:
        yield (
            f"{tally.changed} of {pages} pages came back damaged, the first {size_text(tally.first_at or 0)} "
            "into the free space: the card or its contacts fail. Try another reader, then another card"
        )


class _Meter:
    """How much is done of what has to be written and read back, how fast, and how long it takes yet."""

    def __init__(self, to_write: int) -> None:
        self.done = 0
        self._total = 2 * to_write
        self._before = 0
        self._started = time.monotonic()
        self._speeds = Strip("least")
        self._at = (self._started, 0)

    def expect(self, to_write: int) -> None:
        self._total = 2 * to_write

    def start_reading(self, written: int) -> None:
        self._total = 2 * written
        self._before = self.done = written
        self._started = time.monotonic()
        self._speeds.post("read back")
        self._at = (self._started, self.done)

    def add(self, size: int) -> None:
        self.done += size

    def progress(self, text: str) -> Progress:
        now = time.monotonic()
        seconds = max(now - self._started, 1e-6)
        if now - self._at[0] >= _EACH:
            self._speeds.add((self.done - self._at[1]) / (now - self._at[0]) / 1e6)
            self._at = (now, self.done)
        rate = (self.done - self._before) / seconds
        left = (self._total - self.done) / max(rate, 1.0)
        share = min(1.0, self.done / max(self._total, 1))
        told = f"{rate / 1e6:.3g} MB/s, {_span(max(left, 0))} left"
        trace = Trace(
            name="speed",
            unit="MB/s",
            points=self._speeds.points,
            fold="least",
            posts=self._speeds.posts,
            told=f"{size_text(self.done)} of {size_text(self._total)} done",
        )
        return Progress(f"{text}, {told}", share, live=(trace,))


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


check = CardCapacity()
