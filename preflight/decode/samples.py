"""What every layout's decoder shares: the sample, reading one field, cutting a stream into lines."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Protocol

import msgspec

from preflight.clean import clean
from preflight.config.flight import SampleField
from preflight.readings import decimal_text

Value = float | str | None
Raw = float | str | None

TEXT_LIMIT = 100
"""Characters of a field's text that are kept."""
LOOK_LIMIT = 200
"""Bytes kept of what could not be decoded, to show."""
NOTES_LIMIT = 20
BLOCK_LEAST = 16
"""Lines from which on decoding them together is tried; blocks that fail are parted down to this."""
_REPEATS = 4  # times a field's texts repeat on average from which on each is read once
_PARTS = 8
_PIECE = 65536  # bytes taken into the buffer at a time

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)
_NO_NUMBER = frozenset(("nan", "inf", "infinity"))
_NUMERIC_ROLES = frozenset(
    (
        *("counter", "pressure", "temperature", "latitude", "longitude", "altitude", "battery"),
        *("satellites", "dilution"),
    )
)
_DIGITS = b"0123456789.+- "
# A line that is not a word alone: empty, a number, "nan" and the like, or with space around it.
_NO_WORD = re.compile(rf"^(?:{_NUMBER.pattern}|[+-]*(?:nan|inf|infinity))?$|^ | $", re.ASCII | re.I | re.M)


class Sample(msgspec.Struct, frozen=True, gc=False):
    """One decoded sample.

    `at_offset` is where it starts in the stream, in bytes; `raw` all its bytes with sync, checksum and line
    end. `values` has every declared field by name: a number in the field's own unit, cleaned text, or None.
    `faults` are sentences, `faulty` the field each is about ("" for the whole sample), in the same order.
    """

    at_offset: int
    raw: bytes
    values: dict[str, Value]
    faults: tuple[str, ...] = ()
    faulty: tuple[str, ...] = ()

    @property
    def length(self) -> int:
        """Bytes on the line, its line end included."""
        return len(self.raw)


class Decoder(Protocol):
    """Takes a stream in pieces of any size and gives out samples; finds its place again after noise.

    `undecoded` counts lines or runs of bytes that were no sample, `undecoded_bytes` their bytes, `look` is
    the start of the latest of them and `notes` what else was noticed. Memory is bounded whatever comes.
    """

    undecoded: int
    undecoded_bytes: int
    look: bytes
    notes: list[str]

    def feed(self, data: bytes) -> list[Sample]:
        """Take `data` and give the samples that it completed."""
        ...

    def flush(self) -> list[Sample]:
        """The stream has ended: give what can still be decoded."""
        ...


class FieldReader:
    """Reads one declared field: text or number in, value and fault out."""

    def __init__(self, field: SampleField) -> None:
        self.field = field
        self.numeric = (
            field.role in _NUMERIC_ROLES
            or bool(field.unit)
            or field.at_least is not None
            or field.at_most is not None
            or field.scale != 1
            or field.offset != 0
        )

    def read_all(self, texts: Sequence[str]) -> list[Value] | None:
        """The values of many printable texts of TEXT_LIMIT characters at most; None if one has a fault.

        Gives what `read` gives, many times as fast.
        """
        different = list(set(texts))
        if len(texts) < _REPEATS * len(different):
            return self._read_each(texts)
        # Sensors repeat themselves: what was read once need not be read again.
        values = self._read_each(different)
        return None if values is None else list(map(dict(zip(different, values, strict=True)).get, texts))

    def _read_each(self, texts: Sequence[str]) -> list[Value] | None:
        numbers = self._all_numbers(texts)
        if numbers is not None or self.numeric:
            return numbers
        joined = "\n".join(texts)
        # Most of what is no number is a time of day, or one of few words.
        if " " not in joined and all(":" in text for text in texts):
            return list(texts)
        if not _NO_WORD.search(joined):
            return list(texts)
        read = [self.read(text) for text in texts]
        return None if any(fault is not None for _, fault in read) else [value for value, _ in read]

    def _all_numbers(self, texts: Sequence[str]) -> list[Value] | None:
        # What is left out here can't make NaN or infinity of so few characters.
        joined = "".join(texts)
        if joined.encode().translate(None, _DIGITS):
            return None
        try:
            values = list(map(float, texts))
        except ValueError:
            return None
        scale, offset = self.field.scale, self.field.offset
        # Of -0 the sum makes 0, as it does in a single line.
        if scale != 1 or offset != 0 or "-0" in joined or "-." in joined:
            values = [value * scale + offset for value in values]
            total = sum(values)
            if total - total != 0:
                return None
        if self.field.at_least is not None and min(values) < self.field.at_least:
            return None
        if self.field.at_most is not None and max(values) > self.field.at_most:
            return None
        return values  # type: ignore[return-value]

    def read(self, raw: Raw) -> tuple[Value, str | None]:
        """The value in the field's unit, and what is wrong with it (a sentence that starts with its name)."""
        if isinstance(raw, str):
            text = raw.strip()
            if not text:
                return None, (self._fault("empty") if self.numeric else None)
            if len(text) <= TEXT_LIMIT and _NUMBER.fullmatch(text):
                return self._number(float(text))
            if text.lstrip("+-").casefold() in _NO_NUMBER or self.numeric:
                return None, self._fault(f"{clean(text, limit=TEXT_LIMIT)!r} is not a number")
            if len(text) <= TEXT_LIMIT and text.isascii() and text.isprintable():
                return text, None
            return clean(text, limit=TEXT_LIMIT), None
        if raw is None:
            return None, self._fault("missing")
        return self._number(raw)

    def _number(self, raw: float) -> tuple[Value, str | None]:
        value = raw * self.field.scale + self.field.offset
        if value - value != 0:  # NaN and both infinities
            return None, self._fault(f"{raw} is not a number")
        if self.field.at_least is not None and value < self.field.at_least:
            return value, self._fault(f"{self._shown(value)} is below {self._shown(self.field.at_least)}")
        if self.field.at_most is not None and value > self.field.at_most:
            return value, self._fault(f"{self._shown(value)} is above {self._shown(self.field.at_most)}")
        return value, None

    def _shown(self, value: float) -> str:
        return f"{decimal_text(float(format(value, '.10g')))} {self.field.unit}".rstrip()

    def _fault(self, text: str) -> str:
        return f"{self.field.name}: {text}"


class Readers:
    """The readers of all fields of a sample, in order."""

    def __init__(self, fields: Iterable[SampleField]) -> None:
        self.readers = tuple(FieldReader(field) for field in fields)

    def sample(
        self, at_offset: int, raw: bytes, fields: Iterable[Raw], *, whole: tuple[str, ...] = ()
    ) -> Sample:
        """A sample from its fields' raw values in order; `whole` are faults of the sample as a whole."""
        values: dict[str, Value] = {}
        faults, faulty = list(whole), [""] * len(whole)
        for reader, field in zip(self.readers, fields, strict=True):
            value, fault = reader.read(field)
            values[reader.field.name] = value
            if fault is not None:
                faults.append(fault)
                faulty.append(reader.field.name)
        return Sample(at_offset=at_offset, raw=raw, values=values, faults=tuple(faults), faulty=tuple(faulty))


class Undecoded:
    """Counts what was no sample and keeps a look at it."""

    def __init__(self) -> None:
        self.undecoded = 0
        self.undecoded_bytes = 0
        self.look = b""
        self.notes: list[str] = []

    def count_undecoded(self, data: bytes, *, size: int | None = None) -> None:
        self.undecoded += 1
        self.undecoded_bytes += len(data) if size is None else size
        self.look = bytes(data[:LOOK_LIMIT])

    def note(self, text: str) -> None:
        if len(self.notes) < NOTES_LIMIT and text not in self.notes:
            self.notes.append(text)


class LineDecoder(Undecoded):
    """Cuts a stream into lines (ended by LF, CR LF or CR) for a layout that has one line a sample or more.

    A line longer than `limit` bytes is cut and counted. With `joined` the stream was joined in the middle:
    what comes before the first line end is passed over without being counted.
    """

    def __init__(self, *, limit: int, joined: bool) -> None:
        super().__init__()
        self._limit = limit
        self._joined = joined
        self._cutting = 0  # bytes of an endless line passed over so far
        self._buffer = bytearray()
        self._start = 0  # where in the stream the buffer starts

    def feed(self, data: bytes) -> list[Sample]:
        """Take `data` and give the samples that it completed."""
        samples: list[Sample] = []
        # In pieces, so that the buffer is bounded however much is handed over at once.
        for begin in range(0, len(data), _PIECE):
            self._buffer += data[begin : begin + _PIECE]
            samples += self._lines()
        return samples

    def flush(self) -> list[Sample]:
        """The stream has ended: give what can still be decoded."""
        samples: list[Sample] = []
        rest = bytes(self._buffer)
        if rest.endswith(b"\r"):
            self._buffer += b"\0"  # settles that this CR ends the line
            samples += self._lines()
            rest = b""
        self._buffer.clear()
        if self._cutting:
            self._end_cut(len(rest))
        elif rest and not self._joined:
            samples += self.decode_line(rest, self._start, ("it has no line end",))
        self._start += len(rest)
        return samples + self.decode_end()

    def decode_line(self, raw: bytes, at: int, whole: tuple[str, ...]) -> list[Sample]:
        """Samples that the line `raw` (with its line end) at offset `at` completes; `whole`: its faults."""
        raise NotImplementedError

    def decode_block(self, lines: list[bytes], at: int) -> list[Sample] | None:
        """Samples of many whole lines from offset `at`; None where one is out of the ordinary."""
        return None

    def part(self, lines: list[bytes]) -> list[list[bytes]]:
        """Lines that could not be decoded together, in smaller parts."""
        size = min(max(len(lines) // _PARTS, BLOCK_LEAST), len(lines) // 2)
        return [lines[begin : begin + size] for begin in range(0, len(lines), size)]

    def decode_end(self) -> list[Sample]:
        """What is still held back when the stream has ended."""
        return []

    def _lines(self) -> list[Sample]:
        samples: list[Sample] = []
        end = max(self._buffer.rfind(b"\n"), self._buffer.rfind(b"\r", 0, -1)) + 1
        # Splits where _LINE_END would: a CR at the very end stays, as LF may follow.
        lines = bytes(self._buffer[:end]).splitlines(keepends=True)
        del self._buffer[:end]
        while lines and (self._joined or self._cutting):
            self._line(lines.pop(0), samples)
        self._decode_lines(lines, samples)
        if len(self._buffer) > self._limit:
            self._cut()
        return samples

    def _decode_lines(self, lines: list[bytes], samples: list[Sample]) -> None:
        if len(lines) >= BLOCK_LEAST:
            found = None
            if len(max(lines, key=len)) <= self._limit:
                found = self.decode_block(lines, self._start)
            if found is None:
                for part in self.part(lines):
                    self._decode_lines(part, samples)
            else:
                samples += found
                self._start += sum(map(len, lines))
            return
        for raw in lines:
            self._line(raw, samples)

    def _line(self, raw: bytes, samples: list[Sample]) -> None:
        at = self._start
        self._start += len(raw)
        if self._joined:
            self._joined = False
        elif self._cutting:
            self._end_cut(len(raw))
        elif len(raw) > self._limit:
            self.count_undecoded(raw, size=0)
            self._end_cut(len(raw))
        elif raw.strip(b"\r\n"):
            samples += self.decode_line(raw, at, ())

    def _cut(self) -> None:
        # One byte stays: a CR there may be half of a line end.
        size = len(self._buffer) - 1
        if not self._cutting and not self._joined:
            self.count_undecoded(bytes(self._buffer[:LOOK_LIMIT]), size=0)
        if not self._joined:
            self._cutting += size
        del self._buffer[:size]
        self._start += size

    def _end_cut(self, size: int) -> None:
        self.undecoded_bytes += self._cutting + size
        self.note(f"A line of {self._cutting + size} bytes was cut")
        self._cutting = 0


def text_of(raw: bytes) -> str | None:
    """A line's text without its line end; None if it is not UTF-8 or holds control characters."""
    try:
        text = raw.rstrip(b"\r\n").decode("utf-8")
    except UnicodeDecodeError:
        return None
    return None if any(char < " " and char != "\t" for char in text) or "\x7f" in text else text
