"""Fix, satellites, dilution, place and the receiver's model, on the simulated payload and on lines."""

from __future__ import annotations

import pytest
from sample_lines import sending
from serial_ends import PAYLOAD_SITE, make_flight, wait_until

from preflight.checks import position as position_check
from preflight.checks import tap
from preflight.checks.base import Context, run_check
from preflight.checks.fixes import fix_word, model_told, usual_fix
from preflight.checks.table import get
from preflight.config.flight import SampleField
from preflight.decode.samples import Sample
from preflight.devices.serial_line import SerialLine
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.simulate import SimulatedPayload

RATE = 40.0
AIRBORNE = {"position.ceiling": 50.0}
check = get("position")


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(position_check, "SECONDS", 0.3)
    monkeypatch.setattr(tap, "SILENCE", 0.5)


@pytest.fixture(scope="module")
def payload(tmp_path_factory):
    with SimulatedPayload(tmp_path_factory.mktemp("payload"), rate=RATE) as running:
        yield running


def plant(payload, faults):
    payload.plant(faults)
    with SerialLine(payload.tap, baud=38400) as line:
        heard = bytearray()
        wait_until(lambda: heard.extend(line.read()) or heard.count(b"\n") >= 2)


def flight(at, *, fields=SAMPLE_FIELDS, limits=None, format="delimited"):
    return make_flight(
        site=PAYLOAD_SITE,
        link={"baud": 38400},
        port=[{"use": "tap", "at": str(at)}],
        sample={"rate": RATE, "format": format, "length": 72.0, "field": list(fields)},
        limits=limits or {},
    )


def run(flight, folder, typed=AIRBORNE, **more):
    return run_check(check, Context(flight=flight, folder=folder, typed=typed, **more))


def numbers(finding):
    return {reading.name: reading for reading in finding.readings}


def test_a_good_fix_at_the_site_with_an_airborne_model_is_go(payload, tmp_path):
    plant(payload, ())
    finding = run(flight(payload.tap), tmp_path)
    assert finding.outcome == "go", finding.remarks
    found = numbers(finding)
    assert found["position.fix"].value == "satellites"
    assert 8 <= found["position.satellites"].value <= 10
    assert found["position.distance"].value < 10
    assert found["position.spread"].value < 10
    assert found["position.ceiling"].value == 50
    assert 20 < found["position.ceiling"].at_least < 40
    assert "power" in finding.reads
    assert any("go silent above 18 km" in remark for remark in finding.remarks)
    assert any("goes with its power" in remark for remark in finding.remarks)


def test_the_model_must_be_confirmed_and_reach_the_burst(payload, tmp_path):
    plant(payload, ())
    unsaid = run(flight(payload.tap), tmp_path, typed={})
    assert unsaid.outcome == "open"
    assert "Not checked: the receiver's dynamic model: read the setting back" in unsaid.remarks[0]
    ground = run(flight(payload.tap), tmp_path, typed={"position.ceiling": 12.0})
    assert ground.outcome == "no-go"
    assert ground.remarks[0].startswith("The receiver's dynamic model works up to 12 km, the balloon may")
    assert "set the model for flight (airborne)" in ground.remarks[0]


def test_no_fix_is_no_go_and_says_how_it_shows(payload, tmp_path):
    plant(payload, ["no-fix"])
    finding = run(flight(payload.tap), tmp_path)
    assert finding.outcome == "no-go"
    assert finding.remarks[0].startswith("The receiver uses 0 satellites, and a fix takes 4. Give its")
    assert numbers(finding)["position.fix"].value == "none"


def test_a_line_without_samples_a_busy_port_a_missing_one_a_stop(payload, tmp_path):
    payload.plant(["no-samples"])
    with SerialLine(payload.tap, baud=38400) as line:
        wait_until(lambda: not line.read())
    assert run(flight(payload.tap), tmp_path).outcome == "no-go"
    assert run(flight(payload.tap), tmp_path, stopped=lambda: True).outcome == "open"
    with SerialLine(payload.tap, baud=38400):
        assert run(flight(payload.tap), tmp_path).outcome == "open"
    assert run(flight("nowhere"), tmp_path).outcome == "no-go"
    assert run(flight(payload.tap, format="packed"), tmp_path).outcome == "open"
    assert "have the roles latitude and" in run(flight("x", fields=SAMPLE_FIELDS[:1]), tmp_path).remarks[0]


FIELDS = [
    {"name": "lat", "unit": "deg", "role": "latitude"},
    {"name": "lon", "unit": "deg", "role": "longitude"},
    {"name": "fix", "role": "fix"},
    {"name": "sats", "role": "satellites"},
    {"name": "hdop", "role": "dilution"},
    {"name": "set", "role": "model"},
]
GOOD = ["-43.93001", "171.62001", "3", "9", "1.2", "airborne 1g"]


def told(tmp_path, *, typed=(), limits=None, **changes):
    """The finding on a line that sends GOOD with some columns changed, each n-th value in turn."""
    names = [field["name"] for field in FIELDS]

    def line(n):
        row = list(GOOD)
        for name, values in changes.items():
            turns = values if isinstance(values, list) else [values]
            row[names.index(name)] = turns[n % len(turns)]
        return (",".join(row) + "\r\n").encode()

    with sending(line, RATE) as far:
        return run(flight(far.path, fields=FIELDS, limits=limits), tmp_path, typed=dict(typed))


def test_a_model_that_the_samples_tell_needs_no_typing(tmp_path):
    finding = told(tmp_path)
    assert finding.outcome == "go", finding.remarks
    found = numbers(finding)
    assert (found["position.model"].value, found["position.ceiling"].value) == ("airborne 1g", 50)
    assert (found["position.fix"].value, found["position.dilution"].value) == ("precise", 1.2)


@pytest.mark.parametrize(
    ("changes", "remark"),
    [
        ({"set": "portable"}, "The receiver's model, portable, works up to 12 km, the balloon may burst at"),
        ({"set": "4"}, "The receiver's model, automotive, works up to 6 km"),
        ({"fix": "0"}, "Fix says that the receiver has no fix. Give its antenna open sky"),
        ({"fix": "V"}, "Fix says that the receiver has no fix"),
        ({"fix": "6"}, "The position is estimated, not measured"),
        ({"fix": "8"}, "The position is simulated, not measured"),
        ({"sats": ["9", "4"]}, "Only 4 satellites were used"),
        ({"sats": "3"}, "The receiver uses 3 satellites, and a fix takes 4"),
        ({"hdop": ["1.2", "9.9"]}, "The dilution of precision is 9.9"),
        ({"lat": ""}, "Lat has no number: the receiver has no fix"),
        ({"lat": "-43.90001"}, "is 3.3 km from the site, at -43.90001, 171.62001: run this at"),
        ({"lon": ["171.62001", "171.62301", "171.62001"]}, "The positions are scattered over 241 m"),
        ({"lat": "143.2", "lon": "999.9"}, "The position is no place on earth, 143.2, 999.9"),
    ],
)
def test_each_fault_is_no_go_and_named(tmp_path, changes, remark):
    finding = told(tmp_path, **changes)
    assert finding.outcome == "no-go"
    assert any(remark in text for text in finding.remarks), finding.remarks


def test_an_unknown_model_asks_for_its_ceiling(tmp_path):
    finding = told(tmp_path, set="wrist")
    assert finding.outcome == "open"
    assert numbers(finding)["position.model"].value == "wrist"
    assert told(tmp_path, set="wrist", typed=AIRBORNE).outcome == "go"


def test_limits_of_the_crews_own_count(tmp_path):
    own = {"position.satellites": {"at_least": 3}, "position.dilution": {"at_most": 20}}
    assert told(tmp_path, sats="4", hdop="9.9", limits=own).outcome == "go"


def field(name, **more):
    return SampleField(name=name, **more)


@pytest.mark.parametrize(
    ("key", "value", "word"),
    [
        ("GGA.quality", 1.0, "satellites"),
        ("GGA.quality", 0.0, "none"),
        ("GSA.navMode", 1.0, "none"),
        ("GSA.navMode", 3.0, "3-D"),
        ("GGA.quality", 42.0, "42"),
        ("x", "3D", "3D"),
        ("x", " no ", "none"),
        ("x", "\x1b[31m", "␛[31m"),
        ("x", None, None),
    ],
)
def test_kinds_of_fix(key, value, word):
    assert fix_word(field("f", role="fix", key=key), value) == word


def test_a_fix_lost_now_and_then_counts():
    fields = [field("f", role="fix")]
    seldom = [Sample(0, b"", {"f": 0.0 if n == 0 else 1.0}) for n in range(50)]
    assert usual_fix(fields, seldom) == "satellites"
    often = [Sample(0, b"", {"f": 0.0 if n % 5 == 0 else 1.0}) for n in range(50)]
    assert usual_fix(fields, often) == "none"
    assert usual_fix(fields, [Sample(0, b"", {"f": None})]) is None
    assert usual_fix([], seldom) is None


def test_the_latest_model_told_counts():
    fields = [field("m", role="model")]
    rows = [Sample(0, b"", {"m": value}) for value in ("portable", "Airborne <2g", None)]
    assert model_told(fields, rows) == ("Airborne <2g", 50.0)
    assert model_told(fields, [Sample(0, b"", {"m": 99.0})]) == ("99", None)
    assert model_told([], rows) is None
