"""Hostile bytes through every check that reads a line: nothing is left for a terminal or a screen to obey."""

from __future__ import annotations

import importlib.util
import json
import unicodedata
from functools import partial
from pathlib import Path

import msgspec
import pytest
from boards import Board
from serial_ends import FarEnd, make_flight
from side_by_side import SideBySide

from preflight.checks import listening, table, tap
from preflight.checks.base import Context, run_check

HOSTILE = {
    "terminal": b"\x1b[2J\x1b]0;owned\x07\x1b[31mgo no-go\x08\x08\x08\x08\x08go   \r\x7f",
    "c1": "\x9b2J\x90q\x9c".encode() + b"\x9b2J\x9d0;x\x9c \xed\xa0\x80\xed\xbf\xbf\xff\xfe",
    "unicode": "\u202egnihtyreve si og\u202c\u2066x\u2069 g\u200bo\ufeff\u2028x e".encode()
    + ("\u0301" * 300).encode(),
    "nul": b"rea\x00dy\x00\x00",
    "markup": b"[bold red]go[/] [@click=app.quit]x[/] <script>alert(1)</script> {{7*7}} %s" + b"A" * 5000,
}
BODIES = pytest.mark.parametrize("body", HOSTILE.values(), ids=HOSTILE.keys())
ON_THE_TAP = ["sample-record", "battery-voltage"]
SEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def be_quick(patch):
    patch.setattr(tap, "LEAST_SECONDS", 0.2)
    patch.setattr(tap, "LEAST_SAMPLES", 6)
    patch.setattr(tap, "SILENCE", 0.6)
    patch.setattr(tap, "HOPELESS_AFTER", 0.3)
    patch.setattr(listening, "RATES", (19200, 57600))
    patch.setattr(listening, "ANSWER_WITHIN", 0.2)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    be_quick(monkeypatch)


def assert_clean(finding, steps=()):
    """Every text of a finding and of its progress: printable, bounded, and a record takes it."""
    texts = [*finding.remarks, finding.power_cycle, *(step.text for step in steps)]
    for reading in finding.readings:
        texts.append(reading.name)
        texts.append(reading.unit)
        texts += [reading.value] if isinstance(reading.value, str) else []
    for text in texts:
        bad = [f"U+{ord(char):04X}" for char in text if unicodedata.category(char) in SEEN]
        assert not bad, (bad, text)
        assert len(text) < 2000, len(text)
        stack = 0
        for char in text:
            stack = stack + 1 if unicodedata.category(char) in ("Mn", "Me", "Mc") else 0
            assert stack <= 2
    # What goes out as JSON and into the record is plain text too.
    json.dumps([reading.to_json() for reading in finding.readings], allow_nan=False)
    msgspec.json.encode(texts)
    for item in finding.evidence:
        assert isinstance(item.data, bytes)
    return texts


def flight(at, **sections):
    fields = [
        {"name": "n", "role": "counter"},
        {"name": "state"},
        {"name": "pressure", "unit": "hPa", "role": "pressure"},
        {"name": "battery", "unit": "V", "role": "battery"},
    ]
    return make_flight(
        link={"baud": 9600},
        port=[{"use": use, "at": at} for use in ("tap", "logger", "meter")],
        sample={"rate": 50.0, "format": "delimited", "length": 64.0, "field": fields},
        logger={
            "exchange": [{"send": "?\r", "expect": r"ready(?P<rest>.*)", "within": 0.4}],
            "leave": [{"send": "go\r"}],
            "off_voltage": 0.3,
        },
        battery={
            "chemistry": "li-ion",
            "series": 2,
            "capacity": 12240.0,
            "cell_temperature": 263.15,
            "load": [{"name": "all", "current": 0.1}],
        },
        **sections,
    )


def run(name, at, folder, **more):
    steps = []
    check = table.get(name) if isinstance(name, str) else name
    finding = run_check(check, Context(flight=flight(at), folder=folder, **more), steps.append)
    return finding, steps


def answering(before, after=b"\r\n"):
    def answer(end, data):
        if b"?" in data:
            end.send(before + after)

    return FarEnd(answer)


def through_the_logger(body, folder):
    with answering(body) as far:
        wrong = run("logger-response", far.path, folder)
    with answering(b"ready 7 " + body[:1000]) as far:
        return wrong, run("logger-response", far.path, folder)


def through_the_tap(name, body, folder):
    with Board(sample=lambda n: b"%d,%s,990.%d,8.1\r\n" % (n + 9, body[:1000], n % 10), every=0.02) as board:
        field = run(name, board.path, folder)
    with Board(sample=lambda _: body + b"\r\n", every=0.02) as board:
        return field, run(name, board.path, folder)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("runs")
    jobs = {("logger-response", body): partial(through_the_logger, body, folder) for body in HOSTILE.values()}
    for name in ON_THE_TAP:
        jobs |= {(name, body): partial(through_the_tap, name, body, folder) for body in HOSTILE.values()}
    with pytest.MonkeyPatch.context() as patch:
        be_quick(patch)
        return SideBySide(jobs)


@BODIES
def test_through_logger_response_as_the_wrong_answer_and_within_the_right_one(body, runs):
    (wrong, steps), within = runs["logger-response", body]
    assert wrong.outcome == "no-go"
    assert_clean(wrong, steps)
    assert_clean(*within)


@BODIES
def test_through_a_start_up_message(body, tmp_path):
    with Board(banner=b"start-up " + body[:1000] + b"\r\n") as board:
        finding, steps = run("logger-response", board.path, tmp_path)
    assert_clean(finding, steps)


@BODIES
def test_through_logger_unpowered(body, tmp_path):
    with answering(body) as far:
        finding, steps = run("logger-unpowered", far.path, tmp_path, typed={"logger.off_voltage": 0.0})
    assert finding.outcome in ("no-go", "open")
    assert_clean(finding, steps)


@BODIES
@pytest.mark.parametrize("name", ON_THE_TAP)
def test_through_the_tap_as_a_field_and_instead_of_samples(body, name, runs):
    as_a_field, (instead, steps) = runs[name, body]
    assert_clean(*as_a_field)
    assert instead.outcome != "go"
    assert_clean(instead, steps)


@BODIES
def test_through_the_voltmeter(body, tmp_path):
    where = Path(__file__).parents[1] / "plugin_voltmeter" / "bench_voltmeter.py"
    spec = importlib.util.spec_from_file_location("preflight_example_hostile_meter", where)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.ANSWER_WITHIN = 0.4

    def identity(end, data):
        end.send(body + b",a,b,c\n" if b"*IDN?" in data else body + b"\n")

    with FarEnd(identity) as far:
        finding, steps = run(module.check, far.path, tmp_path)
    assert finding.outcome == "open"
    assert_clean(finding, steps)


@pytest.mark.parametrize("name", [text.decode("utf-8", "replace")[:70] for text in HOSTILE.values()])
def test_through_names_in_the_wiring(name, tmp_path):
    connection = {
        "from": name,
        "from_pin": name,
        "from_function": "transmit",
        "to": name + "2",
        "to_pin": name,
        "to_function": "transmit",
    }
    made = make_flight(wiring={"connection": [connection]})
    finding = run_check(table.get("wiring"), Context(flight=made, folder=tmp_path))
    assert finding.outcome == "no-go"
    assert_clean(finding)
