"""card-write: how fast the card takes what a logger writes, how long it stalls, and what comes back."""

from __future__ import annotations

import secrets
import statistics
import time
from collections.abc import Generator

from preflight.checks.base import Context, Run
from preflight.checks.card import size_text
from preflight.checks.card_target import FROM_MEMORY, on_card, read_all_back, remove
from preflight.checks.judgement import Judgement
from preflight.checks.live_strip import Strip
from preflight.clean import clean
from preflight.devices.marked_blocks import PAGE, Pattern, Tally
from preflight.devices.own_file import FullError, OwnFile, Place
from preflight.live import Live, Trace
from preflight.names import UNITS
from preflight.readings import Evidence, Progress, Reading, short_text

APPENDS, APPENDS_SECONDS = 2000, 15.0
"""Samples appended at most, and the seconds that may take."""
BLOCK, BLOCKS, BLOCKS_SECONDS = 1 << 20, 64, 20.0
"""Bytes of a block, blocks written at most, and the seconds that may take."""
LOOK = 0.5
"""Seconds between two looks at whether the card is still mounted."""

_READS = (
    *("card", "card.identity", "sample.length", "sample.rate"),
    *("link.baud", "link.framing", "link.buffer", "link.stall"),
)


class CardWrite:
    """Appends samples one by one and writes blocks, each confirmed by the card, and reads all of it back."""

    name = "card-write"
    title = "Card takes what is written"
    needs = ("card", "sample")
    leads = ""
    put_back = ""
    on_request = True

    def run(self, context: Context) -> Run:
        return (yield from on_card(Judgement(self.name, _READS, context), context, _write))


def _write(judgement: Judgement, place: Place, context: Context) -> Generator[Progress, None, None]:
    room = place.room()
    if room is not None and room < 4 * BLOCK:
        judgement.faults.append(
            f"Too little room is left to test the card, {size_text(room)}: clear it, or use another"
        )
        return
    work = _Work(judgement, place, context)
    file = place.create()
    try:
        done = yield from work.samples(file)
        if done:
            done = yield from work.blocks(file, BLOCKS if room is None else min(BLOCKS, room // 2 // BLOCK))
        work.tell()
        if done:
            yield from work.read_back(file)
    finally:
        remove((file,), judgement)


class _Work:
    """One run: what was written so far and how long it took."""

    def __init__(self, judgement: Judgement, place: Place, context: Context) -> None:
        from preflight.figures.feed import Feed

        sample = context.flight.sample
        assert sample is not None
        feed = Feed(context.measured)
        self.length = max(1, round(feed.larger("sample.length", sample.length).value))
        self.rate = feed.larger("sample.rate", sample.rate).value
        self.stall = 0.0
        self._judgement = judgement
        self._place = place
        self._context = context
        self._pattern = Pattern(secrets.randbits(64))
        self._appends: list[float] = []
        self._blocks: list[float] = []
        self._begun = 0.0
        self._survives = survived_ms(context, self.rate, self.length)
        self._times = Strip("most"), Strip("most")

    def samples(self, file: OwnFile) -> Generator[Progress, None, bool]:
        """Append samples as a logger does that flushes each; whether it came to its end."""
        file.append(self._pattern.bytes_at(0, PAGE))  # what the file is, before anything else
        for progress in self._paced("Appending samples", APPENDS, APPENDS_SECONDS):
            if progress is None:
                return False
            self._appends.append(file.append(self._pattern.bytes_at(file.size, self.length)))
            self.stall = max(self.stall, self._appends[-1])
            self._times[0].add(self._appends[-1] * 1e3)
            if progress:
                yield self._at(0, *progress, self._stall())
        return True

    def blocks(self, file: OwnFile, count: int) -> Generator[Progress, None, bool]:
        """Write blocks, each confirmed by the card; whether it came to its end."""
        for progress in self._paced("Writing blocks", count, BLOCKS_SECONDS):
            if progress is None:
                return False
            data = self._pattern.bytes_at(file.size, BLOCK)
            try:
                self._blocks.append(file.append(data))
            except FullError:
                if not self._blocks:
                    raise
                break  # what the system told of its room was too much
            self._times[1].add(self._blocks[-1] * 1e3)
            if progress:
                yield self._at(1, *progress, self._write_rate())
        # A block's own time is no stall: what goes beyond that of most blocks is.
        self.stall = max(self.stall, max(self._blocks) - statistics.median(self._blocks))
        return True

    def read_back(self, file: OwnFile) -> Generator[Progress, None, None]:
        """Read all of it from the card itself and compare."""
        tally = Tally()
        for offset in read_all_back(file, self._pattern, 0, tally):
            if self._context.stopped():
                self._judgement.gaps.append("stopped, what was written was not read back to its end")
                break
            yield self._at(2, "Reading back", offset / file.size)
        if tally.wrong:
            self._judgement.faults.append(
                f"{tally.wrong} of {tally.wrong + tally.right} pages read back wrong, "
                f"the first at byte {tally.first_at} of the test file: use another card, or another reader "
                "if it does so too"
            )
            self._judgement.evidence.append(
                Evidence(name="first page read back wrong", data=tally.first_wrong)
            )
        if not file.past_memory:
            self._judgement.remarks.append(FROM_MEMORY)

    def tell(self) -> None:
        """Readings of what was measured, and the figures that follow from it."""
        judgement = self._judgement
        if not self._blocks:
            return
        judgement.readings.append(self._write_rate())
        judgement.readings.append(self._stall())
        confirmed = len(self._appends) / sum(self._appends)
        if confirmed < self.rate:
            judgement.remarks.append(
                f"{confirmed:.3g} samples a second were confirmed one by one, the flight sends "
                f"{self.rate:.3g}: a logger that flushes every sample falls behind, have it flush less often"
            )
        self._feed()

    def _feed(self) -> None:
        """link.stall_margin with this stall; a logger's may be longer than a laptop's reader shows."""
        if self._context.flight.link is None:
            return
        from preflight.figures.compute import compute

        measured = {**self._context.measured, "card.stall": self._stall()}
        computed = compute(self._context.flight, measured, folder=self._context.folder)
        figures = [figure for figure in computed.figures if figure.name.startswith("link.stall")]
        self._judgement.readings += figures
        self._judgement.remarks += [
            f"To bring {figure.name} inside its limit: {clean(computed.mends[figure.name])}"
            for figure in figures
            if figure.name in computed.mends
        ]

    def _at(self, stage: int, text: str, share: float, reading: Reading | None = None) -> Progress:
        """Progress of one of the three stages, of which `share` is done."""
        left = share if stage < 2 else None
        return Progress(text, (stage + min(1.0, share)) / 3, reading, live=self._to_see(left))

    def _to_see(self, share: float | None) -> tuple[Live, ...]:
        """How long each write took; `share` of the present stage is done."""
        appends, blocks = self._times
        left = ""
        if share:
            seconds = time.monotonic() - self._begun
            left = f", {max(0.0, seconds * (1 - share) / share):.0f} s left"
        in_blocks = bool(blocks.count)
        confirmed = appends.count / max(sum(self._appends), 1e-9)
        told = f"{short_text(confirmed)} samples a second, {short_text(self.rate)} needed"
        told += "" if in_blocks else left
        traces = [
            Trace(
                name="append",
                unit="ms",
                points=appends.points,
                at_most=self._survives,
                steep=True,
                told=told,
            )
        ]
        if in_blocks:
            rate = blocks.count * BLOCK / max(sum(self._blocks), 1e-9)
            need = self.rate * self.length
            told = f"{_speed(rate)}, {_speed(need)} needed{left}"
            traces.append(Trace(name="block", unit="ms", points=blocks.points, steep=True, told=told))
        return tuple(traces)

    def _stall(self) -> Reading:
        return self._limited(Reading(name="card.stall", value=round(self.stall * 1e3, 3), unit="ms"))

    def _write_rate(self) -> Reading:
        rate = round(len(self._blocks) * BLOCK / max(sum(self._blocks), 1e-9))
        # What the flight sends is the least that it must take.
        need = self.rate * self.length
        return self._limited(
            Reading(name="card.write_rate", value=rate, unit=UNITS["card.write_rate"], at_least=need)
        )

    def _limited(self, reading: Reading) -> Reading:
        limit = self._context.flight.limits.get(reading.name)
        if limit is None:
            return reading
        at_least = reading.at_least if limit.at_least is None else limit.at_least
        return Reading(
            name=reading.name,
            value=reading.value,
            unit=reading.unit,
            at_least=at_least,
            at_most=limit.at_most,
        )

    def _paced(
        self, text: str, count: int, seconds: float
    ) -> Generator[tuple[str, float] | tuple[()] | None, None, None]:
        """One turn for each of `count` pieces, until `seconds` are over or the crew stops it (None).

        A turn is what to show, or () where something was shown a moment ago.
        """
        started = shown = looked = self._begun = time.monotonic()
        for number in range(count):
            now = time.monotonic()
            if self._context.stopped():
                self._judgement.gaps.append(f"stopped while {text[0].lower()}{text[1:]}")
                yield None
                return
            if now - started > seconds and number:
                return
            if now - looked > LOOK:
                self._place.check()
                looked = now
            due = now - shown > 0.1 or number == 0
            shown = now if due else shown
            yield (text, max(number / count, (now - started) / seconds)) if due else ()


def _speed(rate: float) -> str:
    for size, word in ((1e6, "MB/s"), (1e3, "kB/s")):
        if rate >= size:
            return f"{rate / size:.3g} {word}"
    return f"{rate:.3g} B/s"


def survived_ms(context: Context, rate: float, length: float) -> float | None:
    """ms of a stall that the logger's buffer lasts for, with the margin asked for; None without [link]."""
    from preflight.figures.limits import limit_for
    from preflight.figures.serial_line import Framing, capacity, longest_stall

    link = context.flight.link
    if link is None:
        return None
    margin = limit_for(context.flight, "link.stall_margin")[0] or 1.0
    line = capacity(link.baud, Framing.parse(link.framing))
    return 1e3 * longest_stall(line, link.buffer / margin, rate, float(length))


check = CardWrite()
