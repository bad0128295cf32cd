"""JSON lines: members, members of members, and what JSON writers get wrong."""

from __future__ import annotations

import pytest

from preflight.config.flight import SampleField
from preflight.decode import decoder_for


@pytest.fixture(scope="module")
def layout(make_layout):
    return make_layout(
        "json",
        [
            SampleField(name="pressure", unit="hPa", at_most=1100),
            SampleField(name="latitude", role="latitude", key="gps.lat"),
            SampleField(name="dotted", key="a.b"),
            SampleField(name="fix", role="fix"),
        ],
    )


def one(layout, line):
    (sample,) = decoder_for(layout).feed(line)
    return sample


def test_members_of_members_and_members_with_dots(layout):
    sample = one(layout, b'{"pressure": 990.5, "gps": {"lat": -43.9, "x": []}, "a.b": "t", "fix": true}\n')
    assert sample.values == {"pressure": 990.5, "latitude": -43.9, "dotted": "t", "fix": 1.0}
    assert sample.faults == ()


@pytest.mark.parametrize(
    ("pressure", "fault"),
    [
        ("NaN", "pressure: nan is not a number"),
        ("-Infinity", "pressure: -inf is not a number"),
        ("1" + "0" * 400, "pressure: inf is not a number"),
        ('"990"', None),
        ('"high"', "pressure: 'high' is not a number"),
        ("null", "pressure: empty"),
        ("[1]", "pressure: '[…]' is not a number"),
        ('{"a": 1}', "pressure: '{…}' is not a number"),
        ("1200", "pressure: 1200 hPa is above 1100 hPa"),
    ],
)
def test_values_that_are_no_number_are_faults_by_name(layout, pressure, fault):
    line = f'{{"pressure": {pressure}, "gps": {{"lat": 1}}, "a.b": 1, "fix": 0}}\n'
    assert one(layout, line.encode()).faults == ((fault,) if fault else ())


def test_a_missing_member_is_a_fault(layout):
    sample = one(layout, b'{"pressure": 990, "gps": 3}\n')
    assert sample.faulty == ("latitude", "dotted", "fix")
    assert sample.faults[0] == "latitude: missing"


@pytest.mark.parametrize(
    "line",
    [b'{"other": 1}\n', b"[1, 2]\n", b"3\n", b"null\n", b'{"pressure": 990', b"{pressure: 1}\n", b"[" * 900],
)
def test_what_is_no_sample_is_undecoded(layout, line):
    decoder = decoder_for(layout)
    assert decoder.feed(line) + decoder.flush() == []
    assert decoder.undecoded == 1
