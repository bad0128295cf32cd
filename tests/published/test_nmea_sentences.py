"""Sentences of NMEA 0183 as printed in public texts.

Checksum: 8-bit exclusive or of all characters between "$" and "*", as two hexadecimal characters, the most
significant first (NMEA 0183, quoted at second hand). GGA and RMC examples: the classic ones of public NMEA
pages (second hand); the GLL of talker GN, and the two GGA of 015808 and 000003: receiver manuals.
"""

from __future__ import annotations

import pytest

from preflight.config.flight import Sample, SampleField
from preflight.decode import decoder_for

SENTENCES = [
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
    "$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39",
    "$GPGSV,2,1,08,01,40,083,46,02,17,308,41,12,07,344,39,14,22,228,45*75",
    "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
    "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
    "$GPGGA,015808.00,2726.53758,S,15126.05255,E,1,08,1.0,365.1,M,39.5,M,,*79",
    "$GPGGA,000003.071,7900.56904,N,16607.52019,W,1,09,0.8,4.64,M,,,,*26",
    "$GNGLL,2239.37849,N,11400.75600,E,123254.00,A,A*7F",
]


def decoded(line, **keys):
    fields = tuple(SampleField(name=name, key=key) for name, key in keys.items())
    decoder = decoder_for(Sample(rate=1.0, format="nmea", length=82.0, field=fields))
    found = decoder.feed(line.encode() + b"\r\n")
    return (found[0].values if found else None), decoder.undecoded


@pytest.mark.parametrize("line", SENTENCES)
def test_a_printed_sentence_has_a_right_checksum(line):
    kind = line[3:6]
    values, undecoded = decoded(line, first=f"{kind}.1")
    assert values is not None
    assert undecoded == 0


@pytest.mark.parametrize("line", SENTENCES)
def test_any_other_checksum_is_refused(line):
    right = int(line[-2:], 16)
    for wrong in (right ^ 1, right ^ 0x80, 0xFF - right):
        values, undecoded = decoded(f"{line[:-2]}{wrong:02X}", first=f"{line[3:6]}.1")
        assert (values, undecoded) == (None, 1)


def test_a_sentence_whose_mark_is_missing_is_refused_and_with_its_sum_taken():
    """Printed with "0000" at its end instead of a checksum; the sum of what is before is 60."""
    line = "$GPGGA,174134.000,4345.9112,N,09643.8029,W,1,05,2.7,452.6,M,-27.1,M,,0000"
    assert decoded(line, alt="GGA.alt") == (None, 1)
    assert decoded(f"{line}*60", alt="GGA.alt") == ({"alt": 452.6}, 0)


def test_degrees_and_minutes_become_degrees():
    values, _ = decoded(SENTENCES[0], lat="GGA.lat", lon="GGA.lon", alt="GGA.alt", quality="GGA.quality")
    assert values["lat"] == pytest.approx(48 + 7.038 / 60, abs=1e-9)
    assert values["lon"] == pytest.approx(11 + 31.0 / 60, abs=1e-9)
    assert (values["alt"], values["quality"]) == (545.4, 1.0)
    values, _ = decoded(SENTENCES[7], lat="GGA.lat", lon="GGA.lon", time="GGA.time")
    assert values["lat"] == pytest.approx(-(27 + 26.53758 / 60), abs=1e-9)
    assert values["time"] == "01:58:08"
    values, _ = decoded(SENTENCES[2], lon="RMC.lon", knots="RMC.spd", date="RMC.date")
    assert values["lon"] == pytest.approx(-(123 + 11.12 / 60), abs=1e-9)
    assert (values["knots"], values["date"]) == (0.5, "1994-11-19")
