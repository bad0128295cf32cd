"""A sample as a line to look at: cleaned text or hex, with the fields that are not as declared marked."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterable

from preflight.checks.sample_faults import is_placeholder
from preflight.checks.talk import is_noise
from preflight.clean import clean
from preflight.config.flight import Sample as Layout
from preflight.config.flight import Site
from preflight.decode.nmea import BY_ROLE
from preflight.decode.samples import Sample
from preflight.live import LONGEST, Bad, Line

Part = tuple[str | None, bytes | str]
"""A piece of a line and the field that it is of, None for what is between them."""

MOST_BYTES = 240
"""Bytes of a line that are looked at."""
MOST_HEX = 32
"""Bytes shown in hex."""
_WHY = 120
_SENTENCE = re.compile(rb"\$([^*\r\n]*)\*([0-9A-Fa-f]{2})")


class Marker:
    """Makes lines of samples of one layout."""

    def __init__(self, layout: Layout, site: Site) -> None:
        self._layout = layout
        self._site = site
        self._names = [field.name for field in layout.field]
        cut: dict[str, Callable[[bytes], list[Part]]] = {
            "delimited": self._delimited,
            "json": self._json,
            "nmea": self._nmea,
        }
        self._parts = cut.get(layout.format)
        self._keys = [
            re.compile(rb'"%b"\s*:\s*("(?:[^"\\]|\\.)*"|[^\s",\]}]+)' % re.escape(key.encode()))
            for key in ((field.key or field.name).rpartition(".")[2] for field in layout.field)
        ]
        self._places = _nmea_places(layout) if layout.format == "nmea" else {}
        self._sizes = _packed_sizes(layout) if layout.format == "packed" else ()

    def line(self, sample: Sample) -> Line:
        """The sample's line."""
        why = self._whys(sample)
        parts = self._parts(sample.raw[:MOST_BYTES]) if self._parts else self._packed(sample)
        shown: list[str] = []
        bad: list[Bad] = []
        at = 0
        marked: set[str] = set()
        for name, part in parts:
            text = part if isinstance(part, str) else clean(part, limit=MOST_BYTES)
            if name is not None and name in why:
                bad.append(Bad(at, at + len(text), why[name]))
                marked.add(name)
            shown.append(text)
            at += len(text)
        # What is missing has no place of its own: it is marked where the line ends.
        bad += [Bad(at, at, told) for name, told in why.items() if name not in marked]
        return _bounded("".join(shown), bad)

    def undecoded(self, look: bytes) -> Line:
        """Bytes that were no sample, in hex where they are no text."""
        if self._layout.format == "packed" or is_noise(look):
            return Line(f"{hexed(look)}  no sample", kind="undecoded")
        text = look.rstrip(b"\r\n")[:MOST_BYTES]
        found = _SENTENCE.search(text)
        if found is not None and self._layout.format == "nmea":
            need = 0
            for byte in found[1]:
                need ^= byte
            if need != int(found[2], 16):
                head, said = clean(text[: found.start(2)], limit=MOST_BYTES), clean(found[2])
                why = f"checksum: {said}, the sentence gives {need:02X}"
                rest = clean(text[found.end(2) :], limit=MOST_BYTES)
                bad = [Bad(len(head), len(head) + len(said), why)]
                return _bounded(head + said + rest, bad, undecoded=True)
        return Line(clean(text, limit=MOST_BYTES), kind="undecoded")

    def rest(self, data: bytes) -> str:
        """What has come and ends no line yet."""
        if self._layout.format == "packed" or is_noise(data):
            return hexed(data)
        return clean(data, limit=MOST_BYTES)

    def _whys(self, sample: Sample) -> dict[str, str]:
        """What is wrong with each field ("" for the sample as a whole), by its name."""
        why: dict[str, str] = {}
        for fault, name in zip(sample.faults, sample.faulty, strict=True):
            why.setdefault(name, clean(fault, limit=_WHY))
        for field in self._layout.field:
            value = sample.values.get(field.name)
            # A counter comes past every number.
            if field.name in why or field.role == "counter" or not isinstance(value, float):
                continue
            if is_placeholder(field, value, self._site):
                why[field.name] = f"{clean(field.name, limit=60)}: {value:.10g} looks like a placeholder"
        return why

    def _delimited(self, raw: bytes) -> list[Part]:
        text, sign = raw.rstrip(b"\r\n"), self._layout.delimiter.encode()
        parts: list[Part] = []
        end = 0
        for number, (start, stop) in enumerate(_columns(text, sign)):
            parts.append((None, text[end:start]))
            # Columns beyond those declared belong to the sample as a whole.
            parts.append((self._names[number] if number < len(self._names) else "", text[start:stop]))
            end = stop
        return [*parts, (None, text[end:])]

    def _json(self, raw: bytes) -> list[Part]:
        found = ((name, key.search(raw)) for name, key in zip(self._names, self._keys, strict=True))
        spans = [(match.start(1), match.end(1), name) for name, match in found if match is not None]
        return _cut(raw.rstrip(b"\r\n"), spans)

    def _nmea(self, raw: bytes) -> list[Part]:
        parts: list[Part] = []
        for sentence in raw.split(b"\n"):
            line = sentence.strip(b"\r\n ")
            kind = line[1:].partition(b",")[0].decode("ascii", "replace")
            fields = self._places.get(kind) or self._places.get(kind[2:]) or {}
            end = line.find(b"*") if b"*" in line else len(line)
            spans = [
                (start, min(stop, end), fields[number])
                for number, (start, stop) in enumerate(_columns(line, b","))
                if number in fields
            ]
            parts += [*_cut(line, spans), (None, " ")] if line else []
        return parts

    def _packed(self, sample: Sample) -> list[Part]:
        """Every field's bytes in hex, then its value."""
        parts: list[Part] = []
        at = len(self._layout.sync or "") // 2
        if at:
            parts += [(None, sample.raw[:at].hex().upper()), (None, " ")]
        for name, size in self._sizes:
            parts += [(name, sample.raw[at : at + size].hex().upper()), (None, " ")]
            at += size
        if at < len(sample.raw):
            parts += [(None, sample.raw[at:].hex().upper()), (None, " ")]
        parts.append((None, " ="))
        for name, value in sample.values.items():
            shown = "-" if value is None else f"{value:.6g}" if isinstance(value, float) else clean(value)
            parts += [(None, f" {clean(name, limit=40)} "), (name, shown)]
        return parts


def hexed(data: bytes) -> str:
    """Bytes in hex, the first MOST_HEX of them."""
    more = f" … (+{len(data) - MOST_HEX} more)" if len(data) > MOST_HEX else ""
    return data[:MOST_HEX].hex(" ").upper() + more


def _bounded(text: str, bad: Iterable[Bad], *, undecoded: bool = False) -> Line:
    """What lies beyond the longest line is not shown: its marks stand at the end."""
    cut = min(len(text), LONGEST - 1)
    kept = sorted((Bad(min(each.start, cut), min(each.end, cut), each.why) for each in bad), key=_start)
    shown = text if cut == len(text) else f"{text[:cut]}…"
    return Line(shown, tuple(kept), "undecoded" if undecoded else "sample")


def _start(bad: Bad) -> tuple[int, int]:
    return bad.start, bad.end


def _cut(text: bytes, spans: list[tuple[int, int, str]]) -> list[Part]:
    """The text in pieces, those in `spans` with their field."""
    parts: list[Part] = []
    end = 0
    for start, stop, name in sorted(spans):
        if start < end:
            continue  # two fields read from one member
        parts += [(None, text[end:start]), (name, text[start:stop])]
        end = stop
    return [*parts, (None, text[end:])]


def _columns(text: bytes, sign: bytes) -> list[tuple[int, int]]:
    """Where each column of a line stands; signs inside double quotes part nothing."""
    if sign == b" ":
        return [match.span() for match in re.finditer(rb"\S+", text)]
    columns, start, at = [], 0, 0
    while (found := text.find(sign, at)) >= 0:
        at = found + len(sign)
        if text.count(b'"', start, found) % 2:
            continue
        columns.append((start, found))
        start = at
    return [*columns, (start, len(text))]


def _nmea_places(layout: Layout) -> dict[str, dict[int, str]]:
    """By kind of sentence: which column holds which field."""
    from pynmeagps.nmeatypes_get import NMEA_PAYLOADS_GET

    places: dict[str, dict[int, str]] = {}
    for field in layout.field:
        kind, _, name = (field.key or BY_ROLE.get(field.role or "") or field.name).partition(".")
        kind = kind.upper()
        known = list(NMEA_PAYLOADS_GET.get(kind) or NMEA_PAYLOADS_GET.get(kind[2:]) or {})
        number = int(name) if name.isdecimal() and len(name) <= 3 else None
        if number is None and name in known:
            number = known.index(name) + 1
        if number is not None:
            places.setdefault(kind, {}).setdefault(number, field.name)
    return places


def _packed_sizes(layout: Layout) -> tuple[tuple[str | None, int], ...]:
    """Bytes of each field in order; padding is of none."""
    return tuple(
        (None if (field.type or "").endswith("x") else field.name, struct.calcsize("<" + (field.type or "")))
        for field in layout.field
    )
