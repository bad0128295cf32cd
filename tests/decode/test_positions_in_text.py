"""Positions in what receivers of beacons give out; lines without one, of others, and hostile ones."""

from __future__ import annotations

import os
import random
import tracemalloc

import pytest

from preflight.decode.positions import PositionDecoder

ROUNDS = max(1500, int(os.environ.get("PREFLIGHT_FUZZ", "0")))

GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
RMC = "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68"


def positions(text, call=None):
    decoder = PositionDecoder(call)
    data = text if isinstance(text, bytes) else text.encode()
    return decoder.feed(data) + decoder.flush(), decoder


@pytest.mark.parametrize(
    ("line", "latitude", "longitude", "altitude", "time"),
    [
        (GGA, 48.1173, 11.516667, 545.4, 45319),
        (RMC, 49.274167, -123.185333, None, 82486),
        ("noise $GNGLL,2239.37849,N,11400.75600,E,123254.00,A,A*7F", 22.656308, 114.0126, None, 45174),
        ('{"call":"X1","lat":-43.93,"lon":171.62,"alt":212}', -43.93, 171.62, 212, None),
        ('12:00:01 {"fix":{"position":{"Latitude":-43.93,"Longitude":171.62}}}', -43.93, 171.62, None, 43201),
        # The forms of the APRS protocol reference 1.0.1, chapter 8; these examples from memory.
        ("X1>APRS:!4903.50N/07201.75W-Test 001234", 49.058333, -72.029167, None, None),
        ("X1>APRS:=4903.50N/07201.75W#PHG5132", 49.058333, -72.029167, None, None),
        ("X1>APRS:/092345z4903.50N/07201.75W>Test1234", 49.058333, -72.029167, None, None),
        ("X1>APRS:@092345h4903.50N/07201.75W>088/036/A=001234", 49.058333, -72.029167, 376.1232, 33825),
        ("X1,WIDE2-1:/000000h4355.80S/17137.20EO", -43.93, 171.62, None, 0),
        ("08:15:00 SIM-7 -43.93012, 171.62003, 212 m", -43.93012, 171.62003, 212, 29700),
        ("lat=-43.93012 lon=171.62003", -43.93012, 171.62003, None, None),
        ("S43.93012 E171.62003", -43.93012, 171.62003, None, None),
        ("43.93012°S, 171.62003°E 9.5 m", -43.93012, 171.62003, 9.5, None),
        ("pos 43.93012 N; 11.62003 W", 43.93012, -11.62003, None, None),
    ],
)  # fmt: skip
def test_common_forms_are_read(line, latitude, longitude, altitude, time):
    (sample,), decoder = positions(line + "\r\n")
    assert sample.values["latitude"] == pytest.approx(latitude, abs=1e-6)
    assert sample.values["longitude"] == pytest.approx(longitude, abs=1e-6)
    assert sample.values["altitude"] == (None if altitude is None else pytest.approx(altitude))
    assert sample.values["time"] == time
    assert sample.faults == ()
    assert decoder.undecoded == 0


@pytest.mark.parametrize(
    "line",
    [
        *("", "hello", "temperature 21.345, humidity 45.1", "version 1.2.3", "T 99.123, 12.345"),
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*48",
        "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
        '{"lat":"x","lon":3}',
        '{"lat":true,"lon":false}',
        '{"lat":1e400,"lon":1}',
        "{" * 1500,
        "192.168.100.200, 10.000.000.1",
        "x" * 5000,
        "!9903.50N/07201.75W-",
    ],
)
def test_lines_without_a_position_give_none(line):
    found, _ = positions(line + "\n")
    assert found == []


@pytest.mark.parametrize(
    "line",
    [
        "$GPRMC,235947.000,V,0000.0000,N,00000.0000,E,,,041299,,*1D",
        "$GPGGA,235947.000,0000.0000,N,00000.0000,E,0,00,0.0,0.0,M,,,,0000*00",
    ],
)
def test_a_sentence_without_a_fix_says_so(line):
    body = line[1:].partition("*")[0]
    total = 0
    for char in body:
        total ^= ord(char)
    (sample,), _ = positions(f"${body}*{total:02X}\n")
    assert sample.faults == ("no fix: it sends no position",)
    assert sample.values["latitude"] is None


def test_positions_of_others_are_counted_apart():
    text = "A1: -43.93012, 171.62003\nb2: -43.93012, 171.62003\nB2: nothing\n"
    found, decoder = positions(text, call="B2")
    assert [sample.raw for sample in found] == [b"b2: -43.93012, 171.62003\n"]
    assert (decoder.lines, decoder.others, decoder.undecoded) == (3, 1, 1)


def test_joined_in_the_middle_of_a_line_that_line_is_passed_over():
    decoder = PositionDecoder(joined=True)
    assert len(decoder.feed(b".93012, 171.62003\n-43.93012, 171.62003\n")) == 1
    assert decoder.lines == 1


def test_mutated_lines_never_crash_and_stay_within_the_earth():
    sound = [
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n",
        b'{"a":{"lat":-43.93,"lon":171.62,"alt":212}}\n',
        b"X1>APRS:@092345h4903.50N/07201.75W>088/036/A=001234\n",
        b"08:15:00 SIM-7 -43.93012, 171.62003, 212 m\n",
    ]
    rng = random.Random(12)
    tracemalloc.start()
    decoder = PositionDecoder("7")
    for _ in range(ROUNDS):
        line = bytearray(rng.choice(sound))
        for _ in range(rng.randrange(1, 6)):
            at = rng.randrange(len(line))
            how = rng.randrange(4)
            if how == 0:
                line[at] = rng.randrange(256)
            elif how == 1:
                line[at:at] = rng.choice([b"9" * 50, b"-", b"\0", b"\xe2\x80\xae", b"{" * 30, b"$", b"\n"])
            elif how == 2:
                del line[at : at + rng.randrange(8)]
            else:
                line[at:at] = line[: rng.randrange(len(line) + 1)]
            line = line or bytearray(b"x")
        for sample in decoder.feed(bytes(line)):
            for name, most in (("latitude", 90), ("longitude", 180)):
                value = sample.values[name]
                assert value is None or abs(value) <= most
    assert tracemalloc.get_traced_memory()[1] < 8 << 20
    tracemalloc.stop()
