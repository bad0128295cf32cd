"""NMEA 0183: a sample is one of each sentence that its fields are read from."""

from __future__ import annotations

import difflib
import re
from datetime import date, time
from typing import Any

from preflight.clean import clean
from preflight.config.flight import Sample as Layout
from preflight.config.flight import SampleField
from preflight.decode.samples import LineDecoder, Raw, Readers, Sample
from preflight.errors import PreflightError

PENDING_LIMIT = 64 * 1024
"""Bytes held back at most while sentences of a sample are still to come."""

BY_ROLE = {
    "time": "GGA.time",
    "latitude": "GGA.lat",
    "longitude": "GGA.lon",
    "altitude": "GGA.alt",
    "satellites": "GGA.numSV",
    "fix": "GGA.quality",
    "dilution": "GGA.HDOP",
}
"""Where a field without a key is read from, by its role. GGA altitude is above the geoid."""

# "$", an address, fields of printable ASCII, "*" and two hexadecimal characters.
_FORM = re.compile(rb"\$[A-Za-z0-9]{3,}[ -#%-)+-~]*\*[0-9A-Fa-f]{2}")


class NmeaDecoder(LineDecoder):
    """Decodes NMEA sentences with a right checksum, from any talker.

    A field's `key` is "sentence.field" ("GGA.alt", or "GPGGA.alt" for one talker; a number counts the fields
    of a sentence this tool doesn't know: "PXYZ.2"). A sample is complete when every sentence named by a key
    has come once, all of one time where they tell it; its bytes are all those since the sample before it,
    other sentences included, as they load the line too. A sentence that says it has no valid fix is a fault.
    """

    def __init__(self, layout: Layout, *, joined: bool = False) -> None:
        super().__init__(limit=max(1024, 4 * int(layout.length)), joined=joined)
        self._keys = [_key(field) for field in layout.field]
        self._wanted = {kind for kind, _ in self._keys}
        self._readers = Readers(layout.field)
        self._have: dict[str, Any] = {}
        self._pending = bytearray()
        self._at = 0
        self._partial = joined

    def decode_line(self, raw: bytes, at: int, whole: tuple[str, ...]) -> list[Sample]:
        """The sample that the sentence in `raw` completes, or that it shows to be incomplete."""
        # What stands in front of a sentence's "$" is noise.
        start = max(0, raw.rfind(b"$"))
        sentence = parsed_sentence(raw[start:])
        if sentence is None:
            self.count_undecoded(raw)
            return []
        if start:
            self.count_undecoded(raw[:start])
            raw, at = raw[start:], at + start
        samples = []
        kind = self._kind(sentence)
        if kind is not None and (kind in self._have or self._other_epoch(sentence)):
            incomplete = self._sample(whole)
            # Joined in the middle of a sample, its first sentences can't have been heard.
            if not self._partial:
                samples.append(incomplete)
            self._partial = False
        if not self._pending:
            self._at = at
        self._pending += raw
        if kind is not None:
            self._have[kind] = sentence
            if len(self._have) == len(self._wanted):
                samples.append(self._sample(whole))
                self._partial = False
        if len(self._pending) > PENDING_LIMIT:
            self.count_undecoded(bytes(self._pending))
            self._pending.clear()
            self._have.clear()
        return samples

    def decode_end(self) -> list[Sample]:
        """The sample that was still incomplete when the stream ended."""
        return [self._sample(())] if self._have else []

    def _kind(self, sentence: Any) -> str | None:
        for kind in (sentence.identity, sentence.msgID):
            if kind in self._wanted:
                return str(kind)
        return None

    def _other_epoch(self, sentence: Any) -> bool:
        """Whether a sentence's time is not that of the sentences held: they belong to another sample."""
        times = {getattr(held, "time", None) for held in (sentence, *self._have.values())} - {None, ""}
        return len(times) > 1

    def _sample(self, whole: tuple[str, ...]) -> Sample:
        have, self._have = self._have, {}
        raw, self._pending = bytes(self._pending), bytearray()
        missing = sorted(self._wanted - have.keys())
        faults = [*whole, *(f"no {kind} sentence" for kind in missing)]
        faults += [fault for kind, sentence in have.items() if (fault := _no_fix(kind, sentence)) is not None]
        fields = [_raw(have.get(kind), attribute) for kind, attribute in self._keys]
        return self._readers.sample(self._at, raw, fields, whole=tuple(faults))


def _key(field: SampleField) -> tuple[str, str]:
    """A field's sentence and attribute; PreflightError where they can't be had."""
    key = field.key or BY_ROLE.get(field.role or "") or field.name
    kind, dot, attribute = key.partition(".")
    kind = kind.upper()
    if not dot or not kind or not attribute:
        raise PreflightError(
            f'sample.field {clean(field.name)!r}: give key as "sentence.field", for example "GGA.alt"'
        )
    if attribute.isdecimal():
        return kind, f"#{int(attribute[:4])}"
    known = _attributes(kind) or _attributes(kind[2:])
    if known and attribute not in known:
        near = difflib.get_close_matches(attribute, known, n=1)
        hint = f"the nearest is {near[0]!r}" if near else f"there are {', '.join(known)}"
        raise PreflightError(
            f"sample.field {clean(field.name)!r}: {kind} has no field {clean(attribute)!r}: {hint}"
        )
    if not known:
        raise PreflightError(
            f"sample.field {clean(field.name)!r}: the sentence {clean(kind)} is not known: count its fields "
            f'instead, for example key = "{clean(kind)}.1"'
        )
    return kind, attribute


def _attributes(kind: str) -> list[str]:
    from pynmeagps.nmeatypes_get import NMEA_PAYLOADS_GET

    definition = NMEA_PAYLOADS_GET.get(kind, {})
    return [name for name, what in definition.items() if isinstance(what, str)]


def parsed_sentence(raw: bytes) -> Any:
    """The sentence that begins with a line's "$"; None unless its checksum is right."""
    from pynmeagps import NMEAReader
    from pynmeagps.exceptions import NMEAMessageError, NMEAParseError, NMEAStreamError, NMEATypeError

    line = raw.rstrip(b"\r\n ")
    if not _FORM.fullmatch(line):
        return None
    try:
        return NMEAReader.parse(line)
    except (
        *(NMEAMessageError, NMEAParseError, NMEAStreamError, NMEATypeError),
        *(ValueError, TypeError, IndexError, KeyError, AttributeError, OverflowError),
    ):
        return None


def _no_fix(kind: str, sentence: Any) -> str | None:
    if getattr(sentence, "quality", None) == 0 and sentence.msgID == "GGA":
        return f"no fix: {kind} quality is 0"
    if getattr(sentence, "status", None) == "V" and sentence.msgID in ("RMC", "GLL"):
        return f"no fix: {kind} status is V"
    return None


def _raw(sentence: Any, attribute: str) -> Raw:
    if sentence is None:
        return None
    if attribute.startswith("#"):
        payload = sentence.payload
        number = int(attribute[1:])
        return str(payload[number - 1]) if 1 <= number <= len(payload) else None
    value = getattr(sentence, attribute, None)
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, (int, float)):
        return float(value)
    return None if value is None else str(value)
