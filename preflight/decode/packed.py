"""Packed binary samples: sync bytes, fields as the flight file types them, a checksum."""

from __future__ import annotations

import difflib
import struct
from collections.abc import Callable
from typing import Any

from preflight.clean import clean
from preflight.config.flight import Checksum
from preflight.config.flight import Sample as Layout
from preflight.decode.samples import LOOK_LIMIT, Raw, Readers, Sample, Undecoded
from preflight.errors import PreflightError

_FEED = 65536


class PackedDecoder(Undecoded):
    """Decodes packed samples of one length: sync, fields without padding, checksum.

    With a checksum every sample is proved by it. Without one the sync bytes must come again right behind
    the first sample, as they may also occur inside one; from there on samples follow each other.
    """

    def __init__(self, layout: Layout, *, joined: bool = False) -> None:
        super().__init__()
        untyped = [field.name for field in layout.field if field.type is None]
        if untyped:
            raise PreflightError(
                f'sample.field {clean(untyped[0])!r}: a packed field needs a type, for example "H" or "f"'
            )
        if layout.sync is None and layout.checksum is None:
            raise PreflightError("sample: packed samples need sync bytes or a checksum to be told apart")
        codes = [field.type or "" for field in layout.field]
        self._struct = struct.Struct(("<" if layout.byte_order == "little" else ">") + "".join(codes))
        # Padding takes bytes but has no value.
        self._padding = [code.endswith("x") for code in codes]
        self._readers = Readers(
            field for field, padding in zip(layout.field, self._padding, strict=True) if not padding
        )
        self._sync = bytes.fromhex(layout.sync or "")
        self._sum: Callable[[bytes], bytes] | None = None
        width = 0
        if layout.checksum is not None:
            self._sum, width = _checksum(layout.checksum)
        self._body = slice(len(self._sync), len(self._sync) + self._struct.size)
        self._length = len(self._sync) + self._struct.size + width
        self._buffer = bytearray()
        self._start = 0
        self._locked = False
        self._junk = 0  # bytes of the present run that were no sample
        self._joined = joined

    def feed(self, data: bytes) -> list[Sample]:
        """Take `data` and give the samples that it completed."""
        samples: list[Sample] = []
        for begin in range(0, len(data), _FEED):
            self._buffer += data[begin : begin + _FEED]
            samples += self._take(ended=False)
        return samples

    def flush(self) -> list[Sample]:
        """The stream has ended: give what can still be decoded."""
        samples = self._take(ended=True)
        self._pass(0, len(self._buffer))
        self._start += len(self._buffer)
        self._buffer.clear()
        self._end_junk()
        return samples

    def _take(self, *, ended: bool) -> list[Sample]:
        samples = []
        here = 0
        while len(self._buffer) - here >= self._length:
            begin = self._buffer.find(self._sync, here)
            if begin < 0:
                begin = len(self._buffer) - len(self._sync) + 1
            if begin > here:
                self._pass(here, begin)
                here = begin
                continue
            good = self._good(here, ended=ended)
            if good is None:
                break
            if not good:
                self._pass(here, here + 1)
                here += 1
                continue
            self._end_junk()
            self._joined = False
            self._locked = True
            raw = bytes(self._buffer[here : here + self._length])
            samples.append(self._sample(self._start + here, raw))
            here += self._length
        del self._buffer[:here]
        self._start += here
        return samples

    def _good(self, here: int, *, ended: bool) -> bool | None:
        """Whether a sample starts here; None if that can only be told when more has come."""
        end = here + self._length
        if self._sum is not None:
            frame = bytes(self._buffer[here:end])
            return self._sum(frame[self._body]) == frame[self._body.stop :]
        if self._locked:
            return True
        behind = bytes(self._buffer[end : end + len(self._sync)])
        if len(behind) < len(self._sync):
            return True if ended else None
        return behind == self._sync

    def _pass(self, begin: int, end: int) -> None:
        if end <= begin:
            return
        if self._junk == 0:
            self.look = b""
        if len(self.look) < LOOK_LIMIT:
            self.look += bytes(self._buffer[begin : min(end, begin + LOOK_LIMIT - len(self.look))])
        self._junk += end - begin
        self._locked = False

    def _end_junk(self) -> None:
        # Up to one sample's rest is what joining in the middle leaves.
        if self._junk and not (self._joined and self._junk < self._length):
            self.undecoded += 1
            self.undecoded_bytes += self._junk
        self._junk = 0

    def _sample(self, at: int, raw: bytes) -> Sample:
        found = self._struct.unpack(raw[self._body])
        return self._readers.sample(at, raw, [_raw(value) for value in found])


def _raw(value: Any) -> Raw:
    if isinstance(value, bytes):
        return clean(value.rstrip(b"\0"))
    return float(value)


def _checksum(checksum: Checksum) -> tuple[Callable[[bytes], bytes], int]:
    """The checksum by its catalogue name, as bytes in the declared order, and its width in bytes."""
    from crccheck import checksum as sums
    from crccheck import crc

    classes: dict[str, Any] = {}
    names: dict[str, str] = {}
    # Of plain sums only those of single bytes: wider ones leave open how bytes make words.
    for kind in (*crc.ALLCRCCLASSES, sums.Checksum8, sums.ChecksumXor8):
        for name in (*getattr(kind, "_names", ()), kind.__name__):
            classes.setdefault(_plain(name), kind)
            names.setdefault(_plain(name), name)
    found = classes.get(_plain(checksum.name))
    if found is None:
        near = difflib.get_close_matches(_plain(checksum.name), names, n=1, cutoff=0.4)
        hint = f"the nearest is {names[near[0]]!r}" if near else "use a name such as 'CRC-16/IBM-3740'"
        raise PreflightError(f"sample.checksum.name: there is no {clean(checksum.name)!r}: {hint}")

    def summed(body: bytes) -> bytes:
        result: bytes = found.calcbytes(body, byteorder=checksum.order)
        return result

    return summed, found.bytewidth()


def _plain(name: str) -> str:
    return "".join(char for char in name.casefold() if char.isalnum())
