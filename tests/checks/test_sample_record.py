"""The tap on the simulated payload, and on lines that send something else."""

from __future__ import annotations

import time
from functools import partial

import pytest
from serial_ends import PAYLOAD_SITE, FarEnd, make_flight, wait_until
from side_by_side import SideBySide

from preflight.checks import listening, tap
from preflight.checks.base import Context, run_check
from preflight.checks.sample_record import check
from preflight.devices.serial_line import SerialLine
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.simulate import SimulatedPayload

RATE = 40.0


@pytest.fixture(scope="module")
def payload(tmp_path_factory):
    with SimulatedPayload(tmp_path_factory.mktemp("payload"), rate=RATE) as running:
        yield running


def be_quick(patch):
    """Twenty samples are enough: what is under test is the judgement."""
    patch.setattr(tap, "LEAST_SECONDS", 0.5)
    patch.setattr(tap, "SILENCE", 1.0)
    patch.setattr(tap, "HOPELESS_AFTER", 1.0)
    patch.setattr(listening, "RATES", (9600, 19200, 57600))


@pytest.fixture
def quick(monkeypatch):
    be_quick(monkeypatch)


def flight(at, *, rate=RATE, length=72.0, format="delimited", fields=SAMPLE_FIELDS, limits=None, **layout):
    return make_flight(
        site=PAYLOAD_SITE,
        link={"baud": 38400},
        port=[{"use": "tap", "at": str(at)}],
        sample={"rate": rate, "format": format, "length": length, "field": list(fields), **layout},
        limits=limits or {},
    )


def run(flight, folder, **more):
    steps = []
    finding = run_check(check, Context(flight=flight, folder=folder, **more), steps.append)
    return finding, steps


def numbers(finding):
    return {reading.name: reading.value for reading in finding.readings}


def test_sound_samples_are_go_and_measured(payload, tmp_path):
    payload.plant(())
    finding, steps = run(flight(payload.tap), tmp_path)
    assert finding.outcome == "go", finding.remarks
    found = numbers(finding)
    assert found["sample.count"] == 120
    assert found["sample.undecoded"] == 0
    assert 50 <= found["sample.mean_length"] <= found["sample.length"] <= 60
    assert found["sample.rate"] == pytest.approx(RATE, rel=0.1)
    assert found["sample.gap"] >= 1 / RATE * 0.5
    assert found["sample.jitter"] >= 0
    assert finding.evidence[0].name == "tap capture"
    assert finding.evidence[0].data.count(b"\r\n") >= 120
    assert "pressure 992." in finding.remarks[-1]
    shares = [step.fraction for step in steps]
    assert shares == sorted(shares)
    assert any(step.reading is not None and step.reading.name == "sample.rate" for step in steps)


PLANTED = {
    "out-of-range=pressure": "pressure: 1203.4 hPa is above 1100 hPa, in 20 of 20 samples",
    "out-of-range=counter": "counter: -1 is below 0, in 20 of 20 samples",
    "placeholder=temperature": "temperature: 999 degC is above 60 degC, in 20 of 20 samples",
    "frozen=counter": "counter stands still at",
    "skipping=5": "samples missing, first between",
    "repeating=5": "samples sent twice",
    "no-fix": "latitude: empty, in 20 of 20 samples",
}
INSTEAD = {
    b"hello there\r\n": "No sample of the declared delimited layout came, but",
    b"\x00" * 20: "The line is held: only bytes 00 came",
    b"\xfe\x80\x91\x00" * 5: "Noise came",
    b"\x1b[2J\xfe\x80\x91\x00\n": "␛[2J",
}
"""What is told of faults in samples, and of what comes instead of them."""


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    def planted(folder, fault):
        with SimulatedPayload(folder, rate=RATE, faults=[fault]) as own:
            return run(flight(own.tap), folder)[0]

    def instead(folder, line):
        with sending(line) as far:
            started(far)
            return run(flight(far.path, rate=100.0), folder)[0]

    jobs = {fault: partial(planted, tmp_path_factory.mktemp("planted"), fault) for fault in PLANTED}
    jobs |= {line: partial(instead, tmp_path_factory.mktemp("instead"), line) for line in INSTEAD}
    with pytest.MonkeyPatch.context() as patch:
        be_quick(patch)
        return SideBySide(jobs)


@pytest.mark.parametrize(("fault", "told"), PLANTED.items())
def test_a_planted_fault_is_no_go_and_named(runs, fault, told):
    finding = runs[fault]
    assert finding.outcome == "no-go"
    assert any(told in remark for remark in finding.remarks), finding.remarks


def wait_until_clean(payload):
    """The samples that were on their way before a fault was planted have gone by."""
    with SerialLine(payload.tap, baud=38400) as line:
        heard = bytearray()
        wait_until(lambda: heard.extend(line.read()) or heard.count(b"\n") >= 2)


def test_a_clock_that_stands_still_is_no_go(payload, tmp_path):
    payload.plant(["frozen=time"])
    wait_until_clean(payload)
    finding, _ = run(flight(payload.tap), tmp_path)
    assert finding.outcome == "no-go"
    assert "time stands still" in finding.remarks[0]


@pytest.mark.usefixtures("quick")
def test_longer_and_slower_samples_are_go_with_a_remark_and_measured(payload, tmp_path):
    payload.plant(["longer=40", "slow=0.8"])
    wait_until_clean(payload)
    finding, _ = run(flight(payload.tap), tmp_path)
    assert finding.outcome == "go", finding.remarks
    assert numbers(finding)["sample.length"] >= 90
    assert any("declared 72 B: the larger counts" in remark for remark in finding.remarks)
    assert any("declared 40 Hz, more than 5% apart" in remark for remark in finding.remarks)


@pytest.mark.usefixtures("quick")
def test_noise_is_told_from_text_and_from_silence(payload, tmp_path):
    payload.plant(["garbled"])
    finding, _ = run(flight(payload.tap, rate=100.0), tmp_path)
    assert finding.outcome == "no-go"
    assert finding.remarks[0].startswith("Noise came")
    assert "38400 baud 8N1" in finding.remarks[0]
    assert finding.evidence
    payload.plant(["no-samples"])
    with SerialLine(payload.tap, baud=38400) as line:
        wait_until(lambda: not line.read())
    finding, _ = run(flight(payload.tap, rate=100.0), tmp_path)
    assert finding.outcome == "no-go"
    assert finding.remarks[0].startswith("Nothing came in 1 s. Check that the payload is on")
    assert finding.evidence == ()


def sending(line, *, every=0.02):
    """A far end that sends `line` over and over once somebody reads (told by what it hears)."""

    def answer(end, _):
        while not end.over:
            end.send(line)
            end.pause(every)

    return FarEnd(answer)


def started(far):
    """Wake the far end: a tap itself never sends."""
    with SerialLine(far.path, baud=38400) as line:
        line.write(b"!")
        wait_until(line.read)


@pytest.mark.parametrize(("line", "told"), INSTEAD.items())
def test_what_came_instead_of_samples_is_shown(runs, line, told):
    finding = runs[line]
    assert finding.outcome == "no-go"
    assert told in finding.remarks[0]
    assert "\x1b" not in finding.remarks[0]


@pytest.mark.usefixtures("quick")
def test_some_noise_between_samples_is_a_remark_and_much_of_it_no_go(tmp_path):
    good = b"7,a,990.5,4\r\n"
    fields = [
        {"name": "n"},
        {"name": "state"},
        {"name": "pressure", "unit": "hPa"},
        {"name": "x", "unit": "m"},
    ]
    with sending(good * 30 + b"\xfe\x80\r\n") as far:
        started(far)
        finding, _ = run(flight(far.path, rate=100.0, fields=fields), tmp_path)
        assert finding.outcome == "go", finding.remarks
    with sending(good + b"\xfe\x80\r\n") as far:
        started(far)
        finding, _ = run(flight(far.path, rate=100.0, fields=fields), tmp_path)
        assert finding.outcome == "no-go"
        assert "were no sample: “<FE><80>␍␊”" in finding.remarks[0]
        own = {"sample.undecoded": {"at_most": 1000}}
        finding, _ = run(flight(far.path, rate=100.0, fields=fields, limits=own), tmp_path)
        assert finding.outcome == "go", "the flight file's own limit counts"


@pytest.mark.usefixtures("quick")
def test_other_layouts_are_listened_to_as_well(tmp_path):
    fields = [{"name": "pressure", "unit": "hPa", "key": "p"}]
    with sending(b'{"p": 990.5}\n') as far:
        started(far)
        finding, _ = run(flight(far.path, rate=100.0, format="json", fields=fields), tmp_path)
        assert finding.outcome == "go", finding.remarks
        assert numbers(finding)["sample.length"] == 13


def test_a_stop_keeps_what_was_heard_and_is_open(payload, tmp_path):
    payload.plant(())
    count = []

    def stopped():
        count.append(1)
        return len(count) > 25

    finding, _ = run(flight(payload.tap, rate=0.5), tmp_path, stopped=stopped)
    assert finding.outcome == "open"
    finding, _ = run(flight(payload.tap), tmp_path, stopped=lambda: True)
    assert finding.outcome == "open"
    assert finding.remarks == ("Stopped before a sample had come: not checked",)


def test_a_lead_pulled_in_the_middle_is_no_go(tmp_path):
    with SimulatedPayload(tmp_path, rate=RATE) as own:
        steps = []

        def progress(step):
            steps.append(step)
            if step.fraction and step.fraction > 0.2:
                own.unplug()

        finding = run_check(check, Context(flight=flight(own.tap), folder=tmp_path), progress)
    assert finding.outcome == "no-go"
    assert "was lost while reading from it" in finding.remarks[0]
    assert numbers(finding)["sample.count"] > 10


def test_a_missing_port_is_no_go_a_busy_one_open_a_wrong_layout_open(payload, tmp_path):
    finding, _ = run(flight("nowhere"), tmp_path)
    assert (finding.outcome, finding.readings) == ("no-go", ())
    assert "no port nowhere" in finding.remarks[0]
    with SerialLine(payload.tap, baud=38400):
        finding, _ = run(flight(payload.tap), tmp_path)
    assert finding.outcome == "open"
    assert "is in use" in finding.remarks[0]
    finding, _ = run(flight(payload.tap, format="packed"), tmp_path)
    assert finding.outcome == "open"
    assert "needs a type" in finding.remarks[0]


@pytest.mark.parametrize(("rate", "wanted"), [(2.0, 20), (5.0, 20), (50.0, 150), (9000.0, 1000), (0.05, 6)])
def test_how_many_samples_are_waited_for(rate, wanted):
    layout = flight("x", rate=rate).sample
    assert tap.wanted_samples(layout) == wanted


@pytest.mark.usefixtures("quick")
def test_a_capture_ends_though_samples_are_rarer_than_declared(payload, tmp_path):
    payload.plant(["slow=0.1"])
    begun = time.monotonic()
    finding, _ = run(flight(payload.tap), tmp_path)
    assert time.monotonic() - begun < tap.SILENCE + 1.5 * 20 / RATE + 2
    assert numbers(finding)["sample.count"] < 20


def test_noise_on_a_slow_line_is_not_waited_for_to_the_end(tmp_path, monkeypatch):
    monkeypatch.setattr(tap, "HOPELESS_AFTER", 0.5)
    with sending(b"\xfe\x80\x91\x00\n" * 20) as far:
        started(far)
        begun = time.monotonic()
        finding, _ = run(flight(far.path, rate=4.0), tmp_path)
        assert time.monotonic() - begun < 5.0
    assert finding.remarks[0].startswith("Noise came")
