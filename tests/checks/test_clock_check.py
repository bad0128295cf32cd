"""The laptop's clock against the time in samples, on the simulated payload and on lines of every form."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial

import pytest
from sample_lines import sending
from serial_ends import PAYLOAD_SITE, make_flight, wait_until
from side_by_side import SideBySide

from preflight.checks import clock as clock_check
from preflight.checks import tap
from preflight.checks.base import Context, asked_for, run_check
from preflight.checks.table import get
from preflight.devices.serial_line import SerialLine
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.simulate import SimulatedPayload

RATE = 20.0
check = get("clock")


@pytest.fixture(scope="module")
def payload(tmp_path_factory):
    with SimulatedPayload(tmp_path_factory.mktemp("payload"), rate=RATE) as running:
        yield running


def plant(payload, faults):
    payload.plant(faults)
    with SerialLine(payload.tap, baud=38400) as line:
        heard = bytearray()
        wait_until(lambda: heard.extend(line.read()) or heard.count(b"\n") >= 2)


def flight(at, *, format="delimited", fields=SAMPLE_FIELDS, rate=RATE, limits=None):
    return make_flight(
        site=PAYLOAD_SITE,
        link={"baud": 38400},
        port=[{"use": "tap", "at": str(at)}],
        sample={"rate": rate, "format": format, "length": 72.0, "field": list(fields)},
        limits=limits or {},
    )


def run(flight, folder, **more):
    return run_check(check, Context(flight=flight, folder=folder, **more))


def offset(finding):
    return {reading.name: reading for reading in finding.readings}["clock.offset"]


def test_a_clock_that_is_right_is_go_with_its_uncertainty(payload, tmp_path):
    plant(payload, ())
    finding = run(flight(payload.tap), tmp_path)
    assert finding.outcome == "go", finding.remarks
    found = offset(finding)
    assert found.low <= 0.05
    assert found.high >= -0.05
    assert 0.3 <= (found.high - found.low) / 2 <= 0.8
    assert (found.at_least, found.at_most, found.unit) == (-2.0, 2.0, "s")
    assert finding.evidence[0].name == "tap capture"
    assert "power" in finding.reads


OFF = {
    95: "behind the receiver's time. Compare both with a third clock and set the one that is off",
    -95: "ahead of the receiver's time. Compare both with a third clock and set the one that is off",
    18: "that is GPS time against UTC: the receiver has not heard of the leap seconds yet",
    5400: "that is a time zone",
    -43200: "that is a time zone",
}
FORMS = {
    "date with zone": (lambda at: f"{at.astimezone(UTC) + timedelta(hours=2):%Y-%m-%dT%H:%M:%S}+02:00", ""),
    "date": (lambda at: f"{at:%Y-%m-%d %H:%M:%S}.{at.microsecond // 10000:02}Z", ""),
    "hhmmss": (lambda at: f"{at:%H%M%S}.{at.microsecond // 100000}", ""),
    "seconds since 1970": (lambda at: f"{at.timestamp():.2f}", "s"),
    "milliseconds since 1970": (lambda at: f"{at.timestamp() * 1e3:.0f}", "ms"),
}


def with_clock_off(folder, off):
    with SimulatedPayload(folder, rate=RATE, faults=[f"clock-off={off}"]) as own:
        return run(flight(own.tap), folder)


def with_form(folder, form):
    text, unit = FORMS[form]
    fields = [{"name": "n", "role": "counter"}, {"name": "t", "role": "time", "unit": unit}]

    def line(n):
        return f"{n},{text(datetime.now(UTC) + timedelta(seconds=60.2))}\r\n".encode()

    with sending(line) as far:
        return run(flight(far.path, fields=fields), folder)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    jobs = {off: partial(with_clock_off, tmp_path_factory.mktemp("off"), off) for off in OFF}
    jobs |= {form: partial(with_form, tmp_path_factory.mktemp("form"), form) for form in FORMS}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clock_check, "SECONDS", 1.2)
        return SideBySide(jobs)


@pytest.mark.parametrize(("off", "told"), OFF.items())
def test_a_clock_that_is_off_is_no_go_and_looked_into(runs, off, told):
    finding = runs[off]
    assert finding.outcome == "no-go"
    assert told in finding.remarks[0], finding.remarks
    assert abs(abs(offset(finding).value) - abs(off)) < 1.5


def test_without_a_fix_the_time_is_not_trusted(payload, tmp_path, monkeypatch):
    monkeypatch.setattr(clock_check, "SECONDS", 0.5)
    plant(payload, ["no-fix"])
    finding = run(flight(payload.tap), tmp_path)
    assert finding.outcome == "open"
    assert "uses 0 satellites, and a fix takes 4, so its time may be its own" in finding.remarks[0]


def test_a_line_without_samples(payload, tmp_path, monkeypatch):
    monkeypatch.setattr(tap, "SILENCE", 0.5)
    payload.plant(["no-samples"])
    with SerialLine(payload.tap, baud=38400) as line:
        wait_until(lambda: not line.read())
    assert run(flight(payload.tap), tmp_path).remarks[0].startswith("Nothing came in")
    assert run(flight(payload.tap), tmp_path, stopped=lambda: True).outcome == "open"
    assert run(flight("nowhere"), tmp_path).outcome == "no-go"
    with SerialLine(payload.tap, baud=38400):
        assert run(flight(payload.tap), tmp_path).outcome == "open"
    wrong = run(flight(payload.tap, format="packed"), tmp_path)
    assert wrong.outcome == "open"


def test_an_offset_may_be_typed(tmp_path):
    finding = run(flight("nowhere"), tmp_path, typed={"clock.offset": -1.5})
    assert finding.outcome == "go"
    assert finding.remarks == (
        "This laptop's clock is 1.5 s ahead of another clock",
        "Read off and typed by a person: clock.offset -1.5 s",
    )
    assert run(flight("nowhere"), tmp_path, typed={"clock.offset": 40.0}).outcome == "no-go"
    own = {"clock.offset": {"at_most": 60.0}}
    assert run(flight("nowhere", limits=own), tmp_path, typed={"clock.offset": 40.0}).outcome == "go"


def test_samples_without_a_time_of_day_ask_for_another_clock(tmp_path, monkeypatch):
    monkeypatch.setattr(clock_check, "SECONDS", 0.3)
    bare = [{"name": "n", "role": "counter"}]
    finding = run(flight("nowhere", fields=bare), tmp_path)
    assert finding.outcome == "open"
    assert "no field with the role time" in finding.remarks[0]
    running = [*bare, {"name": "up", "role": "time", "unit": "ms"}]
    with sending(lambda n: b"%d,%d\r\n" % (n, 50 * n)) as far:
        finding = run(flight(far.path, fields=running), tmp_path)
    assert finding.outcome == "open"
    assert "no time of day: up counts from a start" in finding.remarks[0]
    with sending(lambda n: b"%d,25:61:99\r\n" % n) as far:
        finding = run(flight(far.path, fields=running), tmp_path)
    assert "no time that can be read" in finding.remarks[0]


@pytest.mark.parametrize("form", FORMS)
def test_times_in_every_form_are_compared(runs, form):
    finding = runs[form]
    assert finding.outcome == "no-go", finding.remarks
    found = offset(finding)
    assert found.low - 0.3 <= 60.2 <= found.high + 0.3


def test_nmea_sentences_carry_the_time_too(tmp_path, monkeypatch):
    monkeypatch.setattr(clock_check, "SECONDS", 0.5)
    keys = {"time": "RMC.time", "latitude": "RMC.lat", "longitude": "RMC.lon"}
    fields = [{"name": role, "role": role, "key": key} for role, key in keys.items()]

    def line(n, status="A"):
        body = f"GPRMC,{datetime.now(UTC):%H%M%S.%f}"[:16]
        body += f",{status},4355.8000,S,17137.2000,E,0.0,0.0,090331,,"
        total = 0
        for char in body:
            total ^= ord(char)
        return f"${body}*{total:02X}\r\n".encode()

    with sending(line) as far:
        finding = run(flight(far.path, format="nmea", fields=fields), tmp_path)
    assert finding.outcome == "go", finding.remarks
    with sending(lambda n: line(n, "V")) as far:
        finding = run(flight(far.path, format="nmea", fields=fields), tmp_path)
    assert finding.outcome == "open"
    assert "its sentences say that the receiver has no fix" in finding.remarks[0]


def test_the_offset_is_asked_for_where_the_samples_tell_no_time_or_did_not_last_time():
    told = flight("/dev/null")
    assert asked_for(check, told, None) == ()
    assert asked_for(check, told, []) == ("clock.offset",)
    assert asked_for(check, told, ["clock.offset"]) == ()
    untold = flight("/dev/null", fields=[field for field in SAMPLE_FIELDS if field.role != "time"])
    assert asked_for(check, untold, None) == ("clock.offset",)
    assert asked_for(check, untold, ["clock.offset"]) == ("clock.offset",)
    assert asked_for(get("link-margin"), told, []) == ()
