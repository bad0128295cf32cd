"""Mutated streams of every layout, decoded and judged: no crash, no hang, bounded memory, printable words.

`PREFLIGHT_FUZZ` sets how many streams of each layout are made (120 unless given; 20000 is the long form).
"""

from __future__ import annotations

import os
import random
import struct
import time
import tracemalloc

import pytest
from serial_ends import PAYLOAD_SITE, make_flight

from preflight.checks.judging import clock_faults, judge_samples
from preflight.checks.sample_faults import run_faults
from preflight.checks.tap import Capture
from preflight.clock import SystemClock
from preflight.decode import decoder_for

ROUNDS = int(os.environ.get("PREFLIGHT_FUZZ", "120"))
LONGEST = 5.0
"""Seconds that one stream of a few kilobytes may take on a busy machine."""
MOST_MEMORY = 24 << 20

ROLES = {
    "counter": "", "time": "", "latitude": "deg", "longitude": "deg", "altitude": "m", "satellites": "",
    "dilution": "", "pressure": "hPa", "temperature": "degC", "battery": "V",
}  # fmt: skip


def values(n):
    clock = f"{(n + 86390) // 3600 % 24:02}:{(n + 86390) // 60 % 60:02}:{(n + 86390) % 60:02}"
    return {
        "counter": 250 + n,
        "time": clock,
        "latitude": -43.93 + n * 1e-5,
        "longitude": 171.62,
        "altitude": 212 + n % 3,
        "satellites": 9,
        "dilution": 1.1,
        "pressure": 992.6 - n % 4 / 10,
        "temperature": 9.0 + n % 5 / 10,
        "battery": 8.1,
    }


def plain_fields(**more):
    return [{"name": role, "role": role, "unit": unit} | more for role, unit in ROLES.items()]


def delimited(delimiter):
    return b"".join(delimiter.join(map(str, values(n).values())).encode() + b"\r\n" for n in range(24))


def as_json():
    rows = (
        ",".join(f'"{k}":{v}' if k != "time" else f'"time":"{v}"' for k, v in values(n).items())
        for n in range(24)
    )
    return b"".join(b"{" + row.encode() + b"}\n" for row in rows)


def sentence(body):
    total = 0
    for char in body:
        total ^= ord(char)
    return f"${body}*{total:02X}\r\n".encode()


def nmea():
    found = b""
    for n in range(24):
        clock = values(n)["time"].replace(":", "") + ".00"
        found += sentence(f"GPGGA,{clock},4355.80{n:02},S,17137.2000,E,1,09,1.1,212.4,M,46.9,M,,")
        found += sentence("GPVTG,054.7,T,034.4,M,005.5,N,010.2,K")
        found += sentence(f"GPRMC,{clock},A,4355.8000,S,17137.2000,E,000.5,054.7,090331,020.3,E")
        found += sentence(f"PABC,{992 + n % 3},8.1")
    return found


NMEA_KEYS = {
    "time": "GGA.time", "latitude": "GGA.lat", "longitude": "GGA.lon", "altitude": "GGA.alt",
    "satellites": "GGA.numSV", "dilution": "GGA.HDOP", "fix": "GGA.quality", "pressure": "PABC.1",
    "battery": "PABC.2",
}  # fmt: skip
PACKED = struct.Struct("<IIiihBBHhH")
PACKED_FIELDS = [
    ("counter", "I", 1), ("time", "I", 1), ("latitude", "i", 1e-7), ("longitude", "i", 1e-7),
    ("altitude", "h", 1), ("satellites", "B", 1), ("dilution", "B", 0.1), ("pressure", "H", 0.1),
    ("temperature", "h", 0.1), ("battery", "H", 0.001),
]  # fmt: skip


def packed(checksum):
    from crccheck.crc import Crc16Ibm3740

    found = b""
    for n in range(24):
        body = PACKED.pack(
            *(n, 1_930_000_000 + n, -439300000, 1716200000, 212, 9, 11, 9926 - n % 3, 90, 8100)
        )
        found += b"\xa5\x5a" + body + (Crc16Ibm3740.calcbytes(body, byteorder="little") if checksum else b"")
    return found


def packed_fields():
    return [
        {
            "name": role,
            "role": role,
            "type": code,
            "scale": scale,
            "unit": ROLES[role] if role != "time" else "s",
        }
        for role, code, scale in PACKED_FIELDS
    ]


PACKED_LAYOUT = {"format": "packed", "field": packed_fields(), "sync": "a55a"}
STREAMS = {
    "delimited": (delimited(","), {"field": plain_fields()}),
    "spaced": (delimited(" "), {"field": plain_fields(), "delimiter": " "}),
    "headed": (
        ";".join(ROLES).encode() + b"\n" + delimited(";"),
        {"field": plain_fields(), "delimiter": ";", "header": True},
    ),
    "json": (as_json(), {"field": plain_fields(), "format": "json"}),
    "nmea": (
        nmea(),
        {
            "format": "nmea",
            "field": [
                {"name": role, "role": role, "unit": ROLES.get(role, ""), "key": key}
                for role, key in NMEA_KEYS.items()
            ],
        },
    ),
    "packed": (
        packed(True),
        {
            "format": "packed",
            "field": packed_fields(),
            "sync": "a55a",
            "checksum": {"name": "CRC-16/IBM-3740"},
        },
    ),
    "packed without checksum": (
        packed(False),
        {"format": "packed", "field": packed_fields(), "sync": "a55a"},
    ),
}
PIECES = [
    *(b"\x1b[2J", b"\x00" * 30, b"\xff" * 30, b"\xe2\x80\xae", b"\xed\xa0\x80", b"[bold]", b'"', b","),
    *(b"9" * 300, b"1e308", b"-", b".", b"nan", b"inf", b"{" * 80, b"[" * 80, b'"a":', b"$", b"*00"),
    *(b"99:99:99", b"0", b"999", b"-9999", b"1e-400", "٣".encode(), b"\x80", b",,,,,,,,,,,,,,,,,"),
    *(b"\xa5\x5a", b"\r", b"\n", b"-1e308"),
]  # fmt: skip


def mutated(rng, sound):
    data = bytearray(sound)
    for _ in range(rng.choice((1, 1, 2, 4, 12, 40))):
        at = rng.randrange(len(data) + 1)
        how = rng.randrange(7)
        if how == 0 and data:
            data[at % len(data)] = rng.randrange(256)
        elif how == 1 and data:
            data[at % len(data)] ^= 1 << rng.randrange(8)
        elif how == 2:
            data[at:at] = rng.choice(PIECES)
        elif how == 3:
            del data[at : at + rng.choice((1, 2, 7, 60, 300))]
        elif how == 4:
            begin = rng.randrange(len(data) + 1)
            data[at:at] = data[begin : begin + rng.choice((1, 9, 60, 400))]
        elif how == 5:
            data[at : at + 8] = rng.randbytes(rng.randrange(16))
        else:
            del data[at + rng.randrange(200) :]
    return bytes(data)


def flight_of(layout):
    return make_flight(
        site=PAYLOAD_SITE,
        link={"baud": 38400},
        sample={"rate": 2.0, "format": "delimited", "length": 90.0} | layout,
        battery={
            "chemistry": "li-ion",
            "series": 2,
            "capacity": 12240.0,
            "cell_temperature": 263.15,
            "load": [{"name": "all", "current": 0.3}],
        },
    )


def judge(flight, data, rng):
    """Decode in pieces of any size and judge; the sentences."""
    decoder = decoder_for(flight.sample, joined=rng.random() < 0.5)
    samples, begin = [], 0
    while begin < len(data):
        size = rng.choice((1, 17, 64, 500, 5000))
        samples += decoder.feed(data[begin : begin + size])
        begin += size
    samples += decoder.flush()
    if not samples:
        return [], samples
    times = [0.5 * n for n in range(len(samples))]
    heard = Capture(samples=samples, times=times, began=SystemClock().now().at)
    faults, remarks = judge_samples(flight, samples, times[-1])
    apart = clock_faults(flight, heard)
    return [*faults, *remarks, *apart[0], *apart[1]], samples


@pytest.mark.parametrize("name", STREAMS)
def test_sound_streams_are_decoded_whole_and_have_no_fault(name):
    sound, layout = STREAMS[name]
    flight = flight_of(layout)
    decoder = decoder_for(flight.sample)
    samples = decoder.feed(sound) + decoder.flush()
    assert len(samples) == 24
    assert decoder.undecoded == 0
    faults, _ = judge_samples(flight, samples, 12.0)
    assert faults == []


@pytest.mark.parametrize("name", STREAMS)
def test_mutated_streams(name):
    sound, layout = STREAMS[name]
    flight = flight_of(layout)
    rng = random.Random(f"streams {name}")
    named = 0
    most = 0
    for number in range(ROUNDS):
        data = mutated(rng, sound)
        if number % 25 == 0:
            tracemalloc.start()
        begun = time.monotonic()
        sentences, samples = judge(flight, data, rng)
        assert time.monotonic() - begun < LONGEST, (name, number)
        named += bool(sentences)
        for text in (*sentences, *(fault for sample in samples for fault in sample.faults)):
            assert text.isprintable(), (name, number, text)
        assert sum(sample.length for sample in samples) <= len(data)
        if tracemalloc.is_tracing():
            most = max(most, tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
    assert most < MOST_MEMORY
    assert named > 0.2 * ROUNDS, "mutations show in what is said"


@pytest.mark.parametrize("name", STREAMS)
def test_a_run_of_nothing_but_hostile_values_is_judged(name):
    """Values as no decoder makes them, so that judging leans on nothing."""
    _, layout = STREAMS[name]
    flight = flight_of(layout)
    rng = random.Random(name)
    odd = [None, "", "x", 0.0, -0.0, 1e308, -1e308, 5e-324, 999.0, "\x1b[2J", "08:00:00", 1.9e9]
    from preflight.decode.samples import Sample

    for _ in range(200):
        samples = [
            Sample(0, b"x", {field.name: rng.choice(odd) for field in flight.sample.field})
            for _ in range(rng.randrange(1, 6))
        ]
        faults, remarks = judge_samples(flight, samples, 1.0)
        more = run_faults(flight.sample.field, samples, 1.0, flight.site)
        assert all(text.isprintable() for text in (*faults, *remarks, *more[0], *more[1]))
