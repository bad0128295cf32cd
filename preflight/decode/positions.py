"""Positions in the text that a receiver of beacons gives out, whichever of the common forms it has.

Each line is looked at for, in this order: an NMEA sentence with a right checksum (GGA, RMC, GLL, GNS); a JSON
object with members for latitude and longitude; an uncompressed APRS position (APRS protocol reference 1.0.1,
chapters 6 and 8); a pair of decimal degrees.
"""

from __future__ import annotations

import datetime
import json
import re
from typing import Any

from preflight.clean import clean
from preflight.decode.nmea import parsed_sentence
from preflight.decode.samples import LineDecoder, Sample, Value, text_of

LONGEST = 2048
FEET = 0.3048

_SENTENCES = ("GGA", "RMC", "GLL", "GNS")
_APRS = re.compile(
    r"(?:[/@](?P<day>\d{6})(?P<zone>[hz/]))?[!=/@]?"
    r"(?P<lat>\d{2}[0-5]\d\.\d{2})(?P<ns>[NSns]).(?P<lon>[01]\d{2}[0-5]\d\.\d{2})(?P<ew>[EWew])",
    re.ASCII,
)
_FEET = re.compile(r"/A=(-?\d{5,6})", re.ASCII)
# Two numbers of three decimals at least, not parts of longer ones, with what may stand around them.
_PAIR = re.compile(
    r"(?<![\d.])(?:(?<![A-Za-z])(?P<ns>[NS])\s?)?(?P<lat>[+-]?\d{1,2}\.\d{3,9})\s?°?\s?(?P<ns2>[NS](?![A-Za-z]))?"
    r"[\s,;:/|\"']{1,3}(?:lon|lng|long|longitude)?\s?[=:]?\s?"
    r"(?:(?P<ew>[EW])\s?)?(?P<lon>[+-]?\d{1,3}\.\d{3,9})\s?°?\s?(?P<ew2>[EW](?![A-Za-z]))?(?![\d.])",
    re.ASCII | re.IGNORECASE,
)
_METRES = re.compile(r"(?<![\d.])(-?\d{1,5}(?:\.\d{1,3})?)\s?m\b", re.ASCII)
_CLOCK = re.compile(r"(?<!\d)([01]\d|2[0-3]):([0-5]\d):([0-5]\d)(?!\d)", re.ASCII)
_NAMES = {
    "latitude": ("latitude", "lat"),
    "longitude": ("longitude", "lon", "lng", "long"),
    "altitude": ("altitude", "alt", "height"),
}
_DEEP = 4  # objects in objects that are looked into


class PositionDecoder(LineDecoder):
    """Finds positions in lines; with `call`, only in lines that hold this text (case does not matter).

    A sample's values are latitude and longitude in degrees, altitude in m and time in seconds of the day
    (both None where the line tells none). `others` counts lines with a position of somebody else, `lines`
    all; lines without a position are undecoded. `joined` says that the stream is joined in the middle.
    """

    def __init__(self, call: str | None = None, *, joined: bool = False) -> None:
        super().__init__(limit=LONGEST, joined=joined)
        self.others = 0
        self.lines = 0
        self._call = call.casefold() if call else None

    def decode_line(self, raw: bytes, at: int, whole: tuple[str, ...]) -> list[Sample]:
        """The position in the line, if there is one."""
        self.lines += 1
        found = _nmea(raw) or _in_text(raw)
        if found is None:
            self.count_undecoded(raw)
            return []
        latitude, longitude = found["latitude"], found["longitude"]
        if not isinstance(latitude, float) or not isinstance(longitude, float):
            return [Sample(at, raw, found, ("no fix: it sends no position",), ("",))]
        if not (abs(latitude) <= 90 and abs(longitude) <= 180):
            self.count_undecoded(raw)
            return []
        if self._call is not None and self._call not in raw.decode("utf-8", "replace").casefold():
            self.others += 1
            return []
        return [Sample(at, raw, found, whole, ("",) * len(whole))]


def _values(
    latitude: float | None, longitude: float | None, altitude: float | None, time: float | None
) -> dict[str, Value]:
    return {"latitude": latitude, "longitude": longitude, "altitude": altitude, "time": time}


def _nmea(raw: bytes) -> dict[str, Value] | None:
    start = raw.rfind(b"$")
    sentence = parsed_sentence(raw[start:]) if start >= 0 else None
    if sentence is None or sentence.msgID not in _SENTENCES:
        return None
    time = getattr(sentence, "time", None)
    clock = time if isinstance(time, datetime.time) else None
    second = None if clock is None else clock.hour * 3600.0 + clock.minute * 60 + clock.second
    north, east = _number(getattr(sentence, "lat", None)), _number(getattr(sentence, "lon", None))
    void = getattr(sentence, "status", "A") == "V" or getattr(sentence, "quality", 1) == 0
    if void or north is None or east is None:
        return _values(None, None, None, second)
    return _values(north, east, _number(getattr(sentence, "alt", None)), second)


def _number(value: object) -> float | None:
    if isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e9:
        return float(value)
    return None


def _in_text(raw: bytes) -> dict[str, Value] | None:
    text = text_of(raw)
    if text is None:
        text = clean(raw.strip(b"\r\n"), limit=LONGEST)
    return _json(text) or _aprs(text) or _pair(text)


def _json(text: str) -> dict[str, Value] | None:
    begin = text.find("{")
    if begin < 0:
        return None
    try:
        found = json.loads(text[begin:])
    except (ValueError, RecursionError):
        return None
    place = _object(found, _DEEP)
    return None if place is None else place | {"time": _clock(text)}


def _object(found: Any, deep: int) -> dict[str, Value] | None:
    if not isinstance(found, dict) or deep == 0:
        return None
    named = {str(name).casefold(): value for name, value in found.items()}
    values = {
        role: next((number for name in names if (number := _number(named.get(name))) is not None), None)
        for role, names in _NAMES.items()
    }
    if values["latitude"] is not None and values["longitude"] is not None:
        return _values(values["latitude"], values["longitude"], values["altitude"], None)
    return next((place for inner in found.values() if (place := _object(inner, deep - 1))), None)


def _aprs(text: str) -> dict[str, Value] | None:
    match = _APRS.search(text)
    if match is None:
        return None
    north = _degrees(match["lat"], 2) * (-1 if match["ns"] in "Ss" else 1)
    east = _degrees(match["lon"], 3) * (-1 if match["ew"] in "Ww" else 1)
    feet = _FEET.search(text)
    time = _clock(text)
    if match["day"] and match["zone"] == "h":
        hours, minutes, seconds = (int(match["day"][n : n + 2]) for n in (0, 2, 4))
        if hours < 24 and minutes < 60 and seconds < 60:
            time = hours * 3600.0 + minutes * 60 + seconds
    return _values(north, east, float(feet[1]) * FEET if feet else None, time)


def _degrees(text: str, digits: int) -> float:
    return int(text[:digits]) + float(text[digits:]) / 60


def _pair(text: str) -> dict[str, Value] | None:
    for match in _PAIR.finditer(text):
        north, east = float(match["lat"]), float(match["lon"])
        if not (abs(north) <= 90 and abs(east) <= 180):
            continue
        if (match["ns"] or match["ns2"] or "").strip().upper() == "S":
            north = -abs(north)
        if (match["ew"] or match["ew2"] or "").strip().upper() == "W":
            east = -abs(east)
        metres = _METRES.search(text, match.end())
        return _values(north, east, float(metres[1]) if metres else None, _clock(text))
    return None


def _clock(text: str) -> float | None:
    match = _CLOCK.search(text)
    return None if match is None else int(match[1]) * 3600.0 + int(match[2]) * 60 + int(match[3])
