"""What was found of clock, position and beacon turns stale when the power is cycled; a test log does not."""

from __future__ import annotations

import pytest
from serial_ends import PAYLOAD_SITE, make_flight

from preflight.checks.base import Context, run_check
from preflight.checks.table import get
from preflight.walk.values import Values

FLIGHT = make_flight(
    site=PAYLOAD_SITE,
    link={"baud": 38400},
    port=[{"use": "tap", "at": "nowhere"}, {"use": "beacon", "at": "nowhere"}],
    sample={"rate": 2.0, "format": "delimited", "length": 64.0, "field": [{"name": "t", "role": "time"}]},
    card={"volume": "card.img", "log": "*.CSV"},
    beacon={"interval": 60.0},
)


@pytest.mark.parametrize(
    ("name", "stale"), [("clock", True), ("position", True), ("beacon-heard", True), ("test-log", False)]
)
def test_a_power_cycle(tmp_path, name, stale):
    finding = run_check(get(name), Context(flight=FLIGHT, folder=tmp_path))
    values = Values(FLIGHT)
    before = values.snapshot(finding.reads)
    values.power += 1
    assert (values.snapshot(finding.reads) != before) is stale
