"""Nothing decodes: which speed is right, or that it is not the speed; on the payload at other speeds.

A pseudo-terminal carries bytes at any speed, but it does know the speed it was opened at: the simulated
payload garbles what it sends, and what it hears, as a wire between two speeds does.
"""

from __future__ import annotations

import itertools
import threading
import time
from functools import partial

import pytest
from serial_ends import PAYLOAD_SITE, FarEnd, make_flight, wait_until
from side_by_side import SideBySide

from preflight.checks import listening, tap
from preflight.checks.base import Context, run_check
from preflight.checks.listening import parity_seen
from preflight.checks.logger_response import check as logger_check
from preflight.checks.sample_record import check as tap_check
from preflight.devices.serial_line import SerialLine
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.simulate import LEAVE, SimulatedPayload
from preflight.practice.uart import heard_as

RATE = 20.0
EVERY = listening.RATES
LINE = b"7,990.5,4,8.1\r\n"
EXCHANGE = [{"send": "?\r", "expect": "ready", "within": 0.8}]
FIELDS = [
    {"name": "n", "role": "counter"},
    {"name": "pressure", "unit": "hPa"},
    {"name": "x", "unit": "m"},
    {"name": "b", "unit": "V"},
]


@pytest.fixture(scope="module")
def payload(tmp_path_factory):
    with SimulatedPayload(tmp_path_factory.mktemp("payload"), rate=RATE) as running:
        yield running


def be_quick(patch):
    patch.setattr(tap, "LEAST_SECONDS", 0.5)
    patch.setattr(tap, "SILENCE", 1.0)
    patch.setattr(tap, "HOPELESS_AFTER", 0.5)
    patch.setattr(listening, "ANSWER_WITHIN", 0.3)
    patch.setattr(listening, "RATES", (9600, 19200, 38400, 57600, 115200, 4800))


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    be_quick(monkeypatch)


def flight(payload, baud=38400, **sections):
    return make_flight(
        site=PAYLOAD_SITE,
        link={"baud": baud},
        port=[{"use": "tap", "at": payload.tap}, {"use": "logger", "at": payload.logger}],
        sample={"rate": RATE, "format": "delimited", "length": 72.0, "field": list(SAMPLE_FIELDS)},
        logger={"exchange": EXCHANGE, "leave": list(LEAVE)},
        **sections,
    )


def tap_flight(at, **layout):
    sample = {"rate": 50.0, "format": "delimited", "length": 20.0, "field": FIELDS} | layout
    return make_flight(link={"baud": 9600}, port=[{"use": "tap", "at": at}], sample=sample)


def run(check, flight, folder, **more):
    steps = []
    return run_check(check, Context(flight=flight, folder=folder, **more), steps.append), steps


SAMPLES = [(19200, 38400), (115200, 38400), (4800, 9600), (38400, 57600)]
"""Speeds that samples are sent at and that are declared."""
LOGGERS = [9600, 57600]


def at_another_speed(folder, sent, declared):
    """The finding and its steps, and the finding once the flight file is corrected."""
    with SimulatedPayload(folder, rate=RATE, faults=[f"speed={sent}"]) as own:
        found = run(tap_check, flight(own, declared), folder)
        own.plant([])
        return *found, run(tap_check, flight(own, sent), folder)[0]


def asked_at_another_speed(folder, runs_at):
    """The finding, its steps, and the last thing that the logger heard once it logs again."""
    with SimulatedPayload(folder, rate=RATE, faults=[f"logger-speed={runs_at}"]) as own:
        found = run(logger_check, flight(own), folder)
        wait_until(lambda: own.status()["logging"])
        return *found, own.status()["heard"][-1]


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    jobs = {pair: partial(at_another_speed, tmp_path_factory.mktemp("tap"), *pair) for pair in SAMPLES}
    for rate in LOGGERS:
        jobs[rate] = partial(asked_at_another_speed, tmp_path_factory.mktemp("logger"), rate)
    with pytest.MonkeyPatch.context() as patch:
        be_quick(patch)
        return SideBySide(jobs)


@pytest.mark.parametrize(("sent", "declared"), SAMPLES)
def test_samples_at_another_speed_are_found_there(runs, sent, declared):
    finding, steps, corrected = runs[sent, declared]
    assert finding.outcome == "no-go", finding.remarks
    told = f"Samples are valid at {sent} baud, the flight file says {declared}: correct baud"
    assert finding.remarks[0].startswith(told), finding.remarks
    assert "run this again" in finding.remarks[0]
    assert any("listening at" in step.text for step in steps)
    assert corrected.outcome == "go", corrected.remarks


@pytest.mark.parametrize("runs_at", LOGGERS)
def test_a_logger_at_another_speed_is_found_and_left_there(runs, runs_at):
    finding, steps, last = runs[runs_at]
    assert finding.outcome == "no-go", finding.remarks
    told = f"The logger's answers are valid at {runs_at} baud, the flight file says 38400"
    assert finding.remarks[0].startswith(told), finding.remarks
    assert last == "go"
    assert any(f"asking at {runs_at} baud" in step.text for step in steps)
    assert f"at {runs_at} baud sent".encode() in finding.evidence[0].data


def test_noise_at_every_speed_is_not_the_speed(payload, tmp_path, monkeypatch):
    monkeypatch.setattr(listening, "RATES", EVERY)
    payload.plant(["garbled"])
    finding, _ = run(tap_check, flight(payload), tmp_path)
    assert finding.outcome == "no-go", finding.remarks
    assert finding.remarks[0].startswith("Noise came")
    assert finding.remarks[1].startswith("Listened at 9600, 19200, 57600, 115200, 4800")
    assert "missing ground, a wrong level or an inverted line" in finding.remarks[1]


def test_a_logger_silent_at_every_speed_says_so(payload, tmp_path, monkeypatch):
    monkeypatch.setattr(listening, "RATES", (9600, 38400, 57600))
    monkeypatch.setattr(listening, "ANSWER_WITHIN", 0.2)
    payload.plant(["silent"])
    finding, _ = run(logger_check, flight(payload), tmp_path)
    assert finding.remarks[1] == "Asked at 9600, 57600 baud as well: no answer at any of them"
    wait_until(lambda: payload.status()["heard"][-1] == "go")


def test_silence_and_a_held_line_are_not_listened_to_at_other_speeds(payload, tmp_path):
    payload.plant(["no-samples"])
    finding, _ = run(tap_check, flight(payload), tmp_path)
    assert len(finding.remarks) == 1
    assert finding.remarks[0].startswith("Nothing came")


def sending(line, *, every=0.02):
    """A far end that sends `line` over and over once it was woken."""

    def answer(end, _):
        while not end.over:
            end.send(line() if callable(line) else line)
            end.pause(every)

    return FarEnd(answer)


def started(far):
    with SerialLine(far.path, baud=9600) as line:
        line.write(b"!")
        wait_until(line.read)


@pytest.mark.parametrize("parity", ["E", "O"])
def test_seven_bits_with_parity_are_named_as_the_framing(tmp_path, parity):
    numbers = itertools.count(100)

    def line():
        text = f"{next(numbers)},990.5,4,8.1\r\n".encode()
        return heard_as(text, sent=9600, listened=9600, parity=parity, bits=7)

    with sending(line) as far:
        started(far)
        finding, _ = run(tap_check, tap_flight(far.path), tmp_path)
    assert finding.outcome == "no-go", finding.remarks
    assert f"The framing is 7{parity}1, the flight file says 8N1" in finding.remarks[0]


@pytest.mark.parametrize(
    "data", [b"", LINE * 4, bytes(range(256)), b"\xff" * 60, b"\xb1\xb7", bytes(0x80 | b for b in LINE * 4)]
)
def test_other_bytes_are_no_parity(data):
    assert parity_seen(data) == ""


def test_text_of_another_layout_at_another_speed_is_shown(tmp_path):
    """The far end answers in text once the line is at 19200 baud, else in noise."""
    import termios

    def line():
        at = termios.tcgetattr(far._slave)[5]
        return b"hello there\r\n" * 3 if at == termios.B19200 else b"\xfe\x80\x91\xc3" * 6

    with sending(line) as far:
        started(far)
        finding, _ = run(tap_check, tap_flight(far.path), tmp_path)
    assert "valid at 19200 baud, the flight file says 9600" in finding.remarks[0]
    assert "no sample of the declared layout: “" in finding.remarks[0]


def test_listening_can_be_stopped(payload, tmp_path):
    payload.plant(["garbled"])
    begun = threading.Event()

    def report(step):
        if "listening at" in step.text:
            begun.set()

    context = Context(flight=flight(payload), folder=tmp_path, stopped=begun.is_set)
    finding = run_check(tap_check, context, report)
    assert begun.is_set()
    assert finding.outcome == "no-go", finding.remarks
    assert finding.remarks[1] == "Stopped while listening at other speeds: not all were tried"


def test_asking_can_be_stopped_and_the_logger_is_left(payload, tmp_path):
    payload.plant(["silent"])
    begun = threading.Event()
    context = Context(flight=flight(payload), folder=tmp_path, stopped=begun.is_set)
    finding = run_check(logger_check, context, lambda step: "asking at" in step.text and begun.set())
    assert finding.outcome == "no-go", finding.remarks
    assert finding.remarks[1] == "Stopped while asking at other speeds: not all were tried"
    wait_until(lambda: payload.status()["heard"][-1] == "go")


def test_listening_ends_in_time_and_says_what_was_not_tried(tmp_path, monkeypatch):
    monkeypatch.setattr(listening, "LONGEST", 0.6)
    monkeypatch.setattr(listening, "RATES", EVERY)
    monkeypatch.setattr(tap, "HOPELESS_LENGTHS", 1)
    with sending(b"\xfe\x80\x91", every=0.2) as far:
        started(far)
        begun = time.monotonic()
        finding, _ = run(tap_check, tap_flight(far.path, rate=5.0), tmp_path)
        assert time.monotonic() - begun < 8.0
    assert "no time was left for" in finding.remarks[1]
    assert "921600 baud" in finding.remarks[1]


def test_a_lead_pulled_while_listening_is_told(tmp_path):
    with SimulatedPayload(tmp_path, rate=RATE, faults=["garbled"]) as own:

        def report(step):
            if "listening at" in step.text:
                own.unplug()

        finding = run_check(tap_check, Context(flight=flight(own), folder=tmp_path), report)
    assert finding.outcome == "no-go", finding.remarks
    assert finding.remarks[1].startswith("Other speeds were not listened at:")
    assert "was lost" in finding.remarks[1]


def test_the_speed_of_a_socket_is_compared_at_its_other_end(tmp_path):
    import socket

    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve():
            peer, _ = server.accept()
            with peer:
                try:
                    while True:
                        peer.sendall(b"\xfe\x80\x91\xc3" * 30)
                        time.sleep(0.02)
                except OSError:
                    return

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        at = f"socket://127.0.0.1:{server.getsockname()[1]}"
        finding, _ = run(tap_check, tap_flight(at), tmp_path)
        thread.join(5)
    assert finding.remarks[1] == "The speed of a socket is set at its other end: compare it there"


def test_packed_samples_are_found_by_sync_and_checksum(tmp_path):
    """A binary layout has no text to go by: a frame whose checksum holds tells the speed."""
    import struct
    import termios

    from crccheck.crc import CrcXmodem

    numbers = itertools.count(1)

    def line():
        body = struct.pack("<Hf", next(numbers) % 60000, 990.5)
        frame = b"\xaa\x55" + body + struct.pack("<H", CrcXmodem.calc(body))
        at = termios.tcgetattr(far._slave)[5]
        listened = {termios.B9600: 9600, termios.B19200: 19200, termios.B57600: 57600}.get(at)
        return b"\x00\x81" if listened is None else heard_as(frame * 2, sent=57600, listened=listened)

    layout = {
        "format": "packed",
        "length": 10.0,
        "sync": "AA55",
        "checksum": {"name": "CRC-16/XMODEM"},
        "field": [
            {"name": "n", "role": "counter", "type": "H"},
            {"name": "pressure", "unit": "hPa", "type": "f"},
        ],
    }
    with sending(line) as far:
        started(far)
        finding, _ = run(tap_check, tap_flight(far.path, **layout), tmp_path)
    assert finding.remarks[0].startswith("Samples are valid at 57600 baud, the flight file says 9600")
