"""Layouts that decoders are tested with."""

from __future__ import annotations

import pytest

from preflight.config.flight import Checksum, Sample, SampleField

PLAIN = (
    SampleField(name="counter", role="counter", at_least=0),
    SampleField(name="state"),
    SampleField(name="pressure", unit="hPa", at_least=1, at_most=1100),
    SampleField(name="temperature", unit="degC"),
)


def layout(format, fields=PLAIN, **more):
    return Sample(rate=2.0, format=format, length=more.pop("length", 64.0), field=tuple(fields), **more)


LAYOUTS = {
    "delimited": layout("delimited"),
    "spaced": layout("delimited", delimiter=" "),
    "headed": layout("delimited", delimiter=";", header=True),
    "json": layout("json"),
    "nmea": layout(
        "nmea",
        [SampleField(name=role, role=role) for role in ("time", "latitude", "altitude", "fix")]
        + [SampleField(name="speed", unit="kn", key="RMC.spd"), SampleField(name="p", key="PABC.1")],
    ),
    "packed": layout(
        "packed",
        [
            SampleField(name="counter", type="I", role="counter"),
            SampleField(name="gap", type="1x"),
            SampleField(name="pressure", type="H", scale=0.1, unit="hPa", at_most=1100),
            SampleField(name="label", type="4s"),
            SampleField(name="t", type="f"),
        ],
        sync="a55a",
        checksum=Checksum(name="CRC-16/IBM-3740"),
    ),
    "packed without checksum": layout("packed", [SampleField(name="n", type="H")], sync="a5"),
    "packed without sync": layout(
        "packed", [SampleField(name="n", type="H")], checksum=Checksum(name="CRC-8/SMBUS")
    ),
}


@pytest.fixture(params=LAYOUTS, scope="module")
def any_layout(request):
    return LAYOUTS[request.param]


@pytest.fixture(scope="session")
def make_layout():
    return layout


@pytest.fixture(scope="session")
def layouts():
    return LAYOUTS
