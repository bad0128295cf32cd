"""Lines of the tap as they are shown: which part of each is marked, in every layout, whatever comes."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from serial_ends import PAYLOAD_SITE, make_flight

from preflight.checks.live_marks import Marker
from preflight.checks.live_tap import EACH, TapLive
from preflight.decode import decoder_for
from preflight.live import LONGEST, MOST_LINES, Line

FIELDS = (
    {"name": "counter", "role": "counter", "at_least": 0},
    {"name": "pressure", "unit": "hPa", "role": "pressure", "at_least": 1, "at_most": 1100},
    {"name": "temperature", "unit": "degC", "role": "temperature", "at_least": -90, "at_most": 60},
)


def flight(format="delimited", fields=FIELDS, **layout):
    sample = {"rate": 10.0, "format": format, "length": 64.0, "field": list(fields), **layout}
    return make_flight(site=PAYLOAD_SITE, sample=sample)


def lines(data: bytes, **layout) -> list[Line]:
    made = flight(**layout)
    marker = Marker(made.sample, made.site)
    decoder = decoder_for(made.sample)
    return [marker.line(sample) for sample in [*decoder.feed(data), *decoder.flush()]]


def marked(line: Line) -> list[tuple[str, str]]:
    return [(line.text[bad.start : bad.end], bad.why) for bad in line.bad]


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        (b"1,992.1,9.0\r\n", []),
        (b"1,1203.4,9.0\r\n", [("1203.4", "pressure: 1203.4 hPa is above 1100 hPa")]),
        (b"1,,9.0\r\n", [("", "pressure: empty")]),
        (b"1,992.1\r\n", [("", "temperature: missing")]),
        (b"1,992.1,9.0,7\r\n", [("7", "1 column more than declared")]),
        (b"1,abc,9.0\r\n", [("abc", "pressure: 'abc' is not a number")]),
        (b"1,992.1,-127\r\n", [("-127", "temperature: -127 degC is below -90 degC")]),
        (b"1,0,9.0\r\n", [("0", "pressure: 0 hPa is below 1 hPa")]),
        (b"1,992.1,85\r\n", [("85", "temperature: 85 degC is above 60 degC")]),
        (b'1,"1203,4",9.0\r\n', [('"1203,4"', "pressure: '1203,4' is not a number")]),
    ],
)
def test_the_wrong_column_is_marked_with_its_name_and_limit(row, expected) -> None:
    (line,) = lines(row)
    assert marked(line) == expected
    assert line.text == row.decode().rstrip("\r\n")


def test_a_placeholder_is_marked_though_it_is_within_its_range() -> None:
    fields = ({**FIELDS[0]}, {"name": "t", "unit": "degC", "role": "temperature", "at_most": 2000.0})
    (line,) = lines(b"1,999\r\n", fields=fields)
    assert marked(line) == [("999", "t: 999 looks like a placeholder")]


def test_columns_parted_by_spaces_keep_their_places() -> None:
    (line,) = lines(b"  1   1203.4  9.0\r\n", delimiter=" ")
    assert marked(line) == [("1203.4", "pressure: 1203.4 hPa is above 1100 hPa")]


def test_a_member_of_an_object_is_marked() -> None:
    row = b'{"counter":1,"air":{"p":1203.4},"temperature":9}\n'
    fields = (FIELDS[0], {**FIELDS[1], "key": "air.p"}, FIELDS[2])
    (line,) = lines(row, format="json", fields=fields)
    assert marked(line) == [("1203.4", "pressure: 1203.4 hPa is above 1100 hPa")]


def sentence(body: str) -> bytes:
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


NMEA = (
    {"name": "time", "role": "time"},
    {"name": "satellites", "role": "satellites", "at_least": 4, "at_most": 60},
    {"name": "speed", "key": "RMC.spd", "unit": "m/s", "at_most": 50},
)


def test_the_field_of_a_sentence_is_marked_and_a_wrong_checksum_too() -> None:
    gga = sentence("GPGGA,070001.00,4355.80,S,17137.20,E,1,03,1.2,212.0,M,0.0,M,,")
    rmc = sentence("GPRMC,070001.00,A,4355.80,S,17137.20,E,99.0,0.0,090331,,,A")
    (line,) = lines(gga + rmc, format="nmea", fields=NMEA)
    told = dict(marked(line))
    assert "satellites: 3 is below 4" in told["03"]
    assert "speed: 99 m/s is above 50 m/s" in told["99.0"]
    made = flight(format="nmea", fields=NMEA)
    marker = Marker(made.sample, made.site)
    right = gga[-4:-2].decode()
    broken = marker.undecoded(gga[:-4] + b"00\r\n")
    assert marked(broken) == [("00", f"checksum: 00, the sentence gives {right}")]
    assert broken.kind == "undecoded"


def test_packed_bytes_are_shown_in_hex_with_their_values() -> None:
    fields = (
        {**FIELDS[0], "type": "H"},
        {"name": "pad", "type": "2x"},
        {**FIELDS[1], "type": "f"},
    )
    frame = b"\xa5\x5a" + struct.pack("<H2xf", 7, 1203.5)
    found = lines(frame * 3, format="packed", fields=fields, sync="A55A")
    line = found[0]
    assert line.text.startswith("A55A 0700 0000 ")
    assert "counter 7" in line.text
    told = marked(line)
    assert [text for text, _ in told] == [frame[6:].hex().upper(), "1203.5"]
    assert {why for _, why in told} == {"pressure: 1203.5 hPa is above 1100 hPa"}


def test_what_is_no_sample_is_hex_or_cleaned_text_and_says_so() -> None:
    made = flight()
    marker = Marker(made.sample, made.site)
    assert marker.undecoded(b"\x1b[2Jhello\r\n") == Line("␛[2Jhello", kind="undecoded")
    noise = marker.undecoded(bytes(range(128, 228)))
    assert noise.text.startswith("80 81 82")
    assert "more" in noise.text
    assert noise.kind == "undecoded"
    assert marker.rest(b"\xff\xfe") == "FF FE"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.binary(max_size=60) | st.sampled_from([b"1,992.1,9.0\n", b"1,\x1b,9\n", "1,á̂̃̄,2\n".encode()]),
        max_size=30,
    ),
    st.sampled_from(["delimited", "json"]),
)
def test_whatever_comes_marks_lie_in_the_text_and_nothing_is_obeyed(pieces, format) -> None:
    made = flight(format=format)
    live = TapLive(made)
    decoder = decoder_for(made.sample, joined=True)
    for n, piece in enumerate(pieces):
        live.took(piece, decoder.feed(piece), 0.1 * n, decoder)
        for line in live.shown(0.1 * n)[0].lines:
            assert all(0 <= bad.start <= bad.end <= len(line.text) for bad in line.bad)
            assert len(line.text) <= LONGEST + 20
            assert not any(ord(char) < 0x20 or 0x7F <= ord(char) < 0xA0 for char in line.text)


def test_a_flood_is_told_in_a_few_lines_with_its_faults_first() -> None:
    made = flight()
    live = TapLive(made)
    decoder = decoder_for(made.sample)
    rows = b"".join(b"%d,%s,9.0\n" % (n, b"1203.4" if n in (40, 41) else b"992.1") for n in range(1000))
    live.took(rows, decoder.feed(rows), 1.0, decoder)
    stream = live.shown(1.0)[0]
    assert len(stream.lines) <= EACH + 1
    assert stream.seen == 1000
    assert [line.text.split(",")[0] for line in stream.lines if line.bad] == ["40", "41"]
    (passed,) = [line for line in stream.lines if line.kind == "passed"]
    assert passed.text == f"{1000 - len(stream.lines) + 1} more, none of them with a fault"
    assert stream.lines[-1].text.startswith("999,")
    for _ in range(100):
        live.took(rows, decoder.feed(rows), 1.0, decoder)
        stream = live.shown(1.0)[0]
    assert len(stream.lines) == MOST_LINES


def test_what_ends_no_line_is_shown_once_no_sample_comes() -> None:
    made = flight()
    live = TapLive(made)
    decoder = decoder_for(made.sample)
    live.took(b"\xff\xfe", decoder.feed(b"\xff\xfe"), 0.1, decoder)
    assert live.shown(0.1)[0].rest == "FF FE"
    decoder = decoder_for(made.sample)
    live.took(b"1,992.1,9.0\n", decoder.feed(b"1,992.1,9.0\n"), 1.0, decoder)
    live.took(b"2,99", decoder.feed(b"2,99"), 1.1, decoder)
    assert live.shown(1.2)[0].rest == ""
    assert live.shown(2.2)[0].rest == "2,99"
