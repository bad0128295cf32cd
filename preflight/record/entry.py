"""One entry and its line: `{"entry":` C `,"sig":"` S `"}` and LF.

C is the entry in RFC 8785 form without any floating-point number, S the padded base64 of the raw Ed25519
signature. A line is read by rebuilding it from what was understood and comparing the bytes, so no second
spelling of the same entry passes.
"""

from __future__ import annotations

import base64
import binascii
import functools
import hashlib
import math
import re
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

import msgspec
import rfc8785
from msgspec import Meta, Struct

from preflight.clean import clean
from preflight.clock import Moment
from preflight.errors import RecordError
from preflight.readings import decimal_text
from preflight.record.kinds import KINDS, Decimal, RecId, Said, Seq, Sha256, Text, Utc
from preflight.record.wording import fault_in_words

VERSION = 1
ZEROS = "0" * 64
"""`prev` of the first entry."""
MAX_LINE = 256 * 1024
"""Bytes in one line with its LF: written nor read beyond."""
SIGNATURE_BYTES = 64

PersonId = Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9._@+-]{0,63}\Z")]
Auth = Literal["passphrase", "selected", "instrument"]

# Keys sort by UTF-16 code unit in RFC 8785 and by code point in the fast encoder. The two differ only where a
# character from U+E000 up meets a surrogate pair, so a line with any lead byte from EE up goes the slow way.
_HIGH = re.compile(rb"[\xee-\xf4]")


class Clk(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Where `at` came from; `uncertainty` in seconds or null, `running` in nanoseconds within `boot`."""

    source: Text
    uncertainty: Decimal | None
    boot: Annotated[str, Meta(min_length=1, max_length=100)]
    running: Annotated[str, Meta(pattern=r"^(0|[1-9][0-9]{0,19})\Z")]


class Entry(Struct, frozen=True, kw_only=True, dict=True):
    """One entry; `data` has the shape that `kinds.KINDS` gives for `kind`."""

    v: int
    rec: str
    seq: int
    prev: str
    kind: str
    at: str
    clk: Clk
    signer: str
    meaning: str
    auth: Auth
    data: Struct

    @functools.cached_property
    def moment(self) -> Moment:
        """`at` and `clk` as a reading of a clock."""
        return Moment(
            at=parse_utc(self.at),
            boot=self.clk.boot,
            boot_ns=int(self.clk.running),
            source=self.clk.source,
            uncertainty=None if self.clk.uncertainty is None else float(self.clk.uncertainty),
        )


class _Wire(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """An entry as bytes hold it, `data` not looked at yet."""

    v: Literal[1]
    rec: RecId
    seq: Seq
    prev: Sha256
    kind: str
    at: Utc
    clk: Clk
    signer: PersonId
    meaning: Said
    auth: Auth
    data: msgspec.Raw


class _Line(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    entry: _Wire
    sig: str


class Parsed(Struct, frozen=True):
    """A line understood: the entry, its canonical bytes (what was signed) and the raw signature."""

    entry: Entry
    canonical: bytes
    signature: bytes


_decode_line = msgspec.json.Decoder(_Line).decode
_encode_sorted = msgspec.json.Encoder(order="sorted").encode


# Made here: a type that several threads are the first to decode at once may crash the library.
_DATA = {kind: msgspec.json.Decoder(data) for kind, data in KINDS.items()}


def format_utc(at: datetime) -> str:
    """RFC 3339 UTC with milliseconds (cut, not rounded) and Z."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def parse_utc(text: str) -> datetime:
    """The moment that `format_utc` wrote; ValueError for a day or time that does not exist."""
    at = datetime.fromisoformat(text)
    if at.tzinfo is not UTC or len(text) != 24:
        raise ValueError(f"not a UTC time with milliseconds: {text!r}")
    return at


def clk_of(moment: Moment) -> Clk:
    """The `clk` of an entry made at `moment`."""
    uncertainty = None
    if moment.uncertainty is not None and math.isfinite(moment.uncertainty):
        uncertainty = decimal_text(moment.uncertainty)
    return Clk(source=moment.source, uncertainty=uncertainty, boot=moment.boot, running=str(moment.boot_ns))


def canonical(value: Any) -> bytes:
    """RFC 8785 bytes of a Struct or of plain JSON values. A float, however round, is a RecordError."""
    plain = msgspec.to_builtins(value)
    _refuse_floats(plain)
    try:
        return rfc8785.dumps(plain)
    except (rfc8785.CanonicalizationError, UnicodeEncodeError, RecursionError) as error:
        raise RecordError(f"an entry cannot hold this: {error}") from None


def canonical_entry(entry: Entry) -> bytes:
    """RFC 8785 bytes of an entry whose data is in shape, by the fast encoder where the two agree."""
    try:
        quick = _encode_sorted(entry)
    except UnicodeEncodeError as error:
        raise RecordError(f"an entry cannot hold this: {error}") from None
    return quick if quick.isascii() or not _HIGH.search(quick) else canonical(entry)


def _refuse_floats(value: object) -> None:
    if isinstance(value, float):
        raise RecordError(f"an entry holds no floating-point number: write {value!r} as a decimal string")
    if isinstance(value, dict):
        for part in value.values():
            _refuse_floats(part)
    elif isinstance(value, (list, tuple)):
        for part in value:
            _refuse_floats(part)


def shaped(kind: str, data: Struct | dict[str, Any]) -> Struct:
    """`data` as the kind's Struct with every bound checked.

    Raises:
        RecordError: for an unknown kind or another shape, naming the key.
    """
    if kind not in KINDS:
        raise RecordError(f'"{clean(kind, limit=40)}" is not a kind of entry')
    if isinstance(data, Struct) and type(data) is not KINDS[kind]:
        raise RecordError(f"{type(data).__name__} is not the data of a {kind} entry")
    plain = msgspec.to_builtins(data)
    try:
        made: Struct = msgspec.convert(plain, KINDS[kind])
    except msgspec.ValidationError as error:
        _refuse_floats(plain)
        raise RecordError(f"{kind} entry: {fault_in_words(error)}") from None
    return made


def line_for(entry: Entry, signature: bytes) -> bytes:
    """The line, with its LF, that holds `entry` and its raw signature."""
    return line_of(canonical(entry), signature)


def line_of(canonical_entry: bytes, signature: bytes) -> bytes:
    """The line, with its LF, around the entry's canonical bytes."""
    return b'{"entry":' + canonical_entry + b',"sig":"' + base64.b64encode(signature) + b'"}\n'


def line_hash(line: bytes) -> str:
    """SHA-256 of a line's bytes with its LF: the `prev` of the next entry."""
    return hashlib.sha256(line).hexdigest()


def parse_line(line: bytes) -> Parsed:
    """Reads one line with its LF; every byte must be as this module would have written it.

    Raises:
        RecordError: with a sentence that says what is wrong, without the line's number.
    """
    if len(line) > MAX_LINE:
        raise RecordError(f"is longer than {MAX_LINE} bytes")
    try:
        read = _decode_line(line)
        wire = read.entry
        if wire.kind not in KINDS:
            raise RecordError(f'"{clean(wire.kind, limit=40)}" is not a kind of entry')
        data = _DATA[wire.kind].decode(wire.data)
    except msgspec.ValidationError as error:
        raise RecordError(f"is not an entry: {fault_in_words(error)}") from None
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise RecordError(f"is not JSON: {clean(str(error))}") from None
    entry = Entry(
        v=wire.v,
        rec=wire.rec,
        seq=wire.seq,
        prev=wire.prev,
        kind=wire.kind,
        at=wire.at,
        clk=wire.clk,
        signer=wire.signer,
        meaning=wire.meaning,
        auth=wire.auth,
        data=data,
    )
    try:
        parse_utc(wire.at)
    except ValueError:
        raise RecordError(f"holds a time that does not exist: {wire.at}") from None
    try:
        signature = binascii.a2b_base64(read.sig)
    except ValueError:
        raise RecordError("holds a signature that is not base64") from None
    if len(signature) != SIGNATURE_BYTES:
        raise RecordError(f"holds a signature of {len(signature)} bytes; it must be {SIGNATURE_BYTES}")
    again = canonical_entry(entry)
    if line_of(again, signature) != line:
        raise RecordError("is not spelled in its one canonical form")
    return Parsed(entry, again, signature)
