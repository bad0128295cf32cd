"""States of the logger's line: started anew, one way only, the wrong lead, fed through a signal pin."""

from __future__ import annotations

import pytest
from boards import Board
from serial_ends import FarEnd, make_flight, wait_until

from preflight.checks import listening
from preflight.checks.base import Context, run_check
from preflight.checks.logger_response import check
from preflight.checks.logger_unpowered import VOLTAGE
from preflight.checks.logger_unpowered import check as unpowered
from preflight.devices.serial_line import SerialLine

LEAVE = b"go\r"
BANNER = b"logger v3, card ok\r\n"


@pytest.fixture(autouse=True)
def at_one_speed(monkeypatch):
    monkeypatch.setattr(listening, "RATES", ())


def flight(at, **logger):
    return make_flight(
        link={"baud": 9600},
        port=[{"use": "logger", "at": at}],
        sample={
            "rate": 10.0,
            "format": "delimited",
            "length": 20.0,
            "field": [{"name": "n", "role": "counter"}, {"name": "pressure", "unit": "hPa"}],
        },
        logger={
            "exchange": [{"send": "?\r", "expect": "ready", "within": 0.6}],
            "leave": [{"send": "go\r"}],
            **logger,
        },
    )


def run(which, flight, folder, **more):
    return run_check(which, Context(flight=flight, folder=folder, **more))


def ready(end, data):
    if b"?" in data:
        end.send(b"ready\r\n")


def left_at(finding):
    return [reading.value for reading in finding.readings if reading.name == "logger.left_at"]


# -- logger-response ---------------------------------------------------------------------------------


def test_a_start_up_message_is_a_power_cycle_and_no_answer(tmp_path):
    with Board(boot=0.05, banner=BANNER, answer=ready) as board:
        finding = run(check, flight(board.path), tmp_path)
        wait_until(lambda: board.heard.endswith(LEAVE))
    assert finding.outcome == "go", finding.remarks
    assert (
        finding.power_cycle == "seen at the logger: it said “logger v3, card ok␍␊” when the port was opened"
    )
    assert "opening the port restarted it: set dtr and rts" in finding.remarks[0]


def test_no_message_is_no_power_cycle(tmp_path):
    with FarEnd(ready) as far:
        finding = run(check, flight(far.path), tmp_path)
    assert finding.outcome == "go"
    assert finding.power_cycle == ""


def test_a_glitch_of_the_lead_is_no_power_cycle(tmp_path):
    with Board(banner=b"\x00\xff", answer=ready) as board:
        finding = run(check, flight(board.path), tmp_path)
    assert finding.power_cycle == ""


def test_a_logger_that_speaks_but_does_not_hear_is_one_way(tmp_path):
    with Board(boot=0.05, banner=BANNER) as board:
        finding = run(check, flight(board.path), tmp_path)
    assert finding.outcome == "no-go"
    told = next(remark for remark in finding.remarks if "does not hear the tool" in remark)
    assert "lead from the tool's transmit to the logger's receive" in told


def test_the_flight_computers_samples_on_the_loggers_port_are_the_wrong_lead(tmp_path):
    with Board(sample=lambda n: b"%d,990.5\r\n" % (n + 40)) as board:
        finding = run(check, flight(board.path), tmp_path)
    assert finding.outcome == "no-go"
    assert finding.power_cycle == ""
    assert finding.remarks[0].startswith("The lead is on the flight computer's transmit: exchange 1 sent")


def test_when_the_logger_was_left_is_a_reading_whatever_came_of_it(tmp_path):
    with FarEnd(ready) as far:
        first = run(check, flight(far.path), tmp_path)
        second = run(check, flight(far.path), tmp_path)
        stopped = run(check, flight(far.path), tmp_path, stopped=lambda: True)
    values = [left_at(finding)[0] for finding in (first, second, stopped)]
    assert len(set(values)) == 3
    assert values[0].endswith(" UTC")
    with FarEnd() as silent:
        assert left_at(run(check, flight(silent.path), tmp_path))
    # Nothing was sent to a port that was never opened.
    assert left_at(run(check, flight("nowhere"), tmp_path)) == []


# -- logger-unpowered --------------------------------------------------------------------------------


def off(at, folder, volts=0.02, **more):
    typed = {} if volts is None else {VOLTAGE: volts}
    return run(unpowered, flight(at, off_voltage=0.3), folder, typed=typed, **more)


def test_a_dead_logger_is_go_and_the_payload_was_switched_off(tmp_path):
    with FarEnd() as far:
        finding = off(far.path, tmp_path)
        wait_until(lambda: far.heard == b"?\r" + LEAVE)
    assert finding.outcome == "go"
    assert finding.remarks == (
        "The logger is dead with the payload's power off",
        "Read off and typed by a person: logger.off_voltage 0.02 V",
    )
    assert finding.power_cycle.startswith("the payload was switched off")


def test_a_logger_that_answers_is_fed_through_a_signal_pin(tmp_path):
    with FarEnd(ready) as far:
        finding = off(far.path, tmp_path)
        wait_until(lambda: far.heard.endswith(LEAVE))
    assert finding.outcome == "no-go"
    assert finding.remarks[0].startswith(
        "The logger is fed through a signal pin: it answers “ready␍␊” with the payload's power off"
    )
    assert "take the signal leads off one by one" in finding.remarks[0]
    assert finding.evidence


def test_a_voltage_at_its_supply_pin_is_no_go_though_it_is_silent(tmp_path):
    with FarEnd() as far:
        finding = off(far.path, tmp_path, volts=1.9)
    assert finding.outcome == "no-go"
    assert finding.readings[0].within is False
    assert "is fed through a signal pin: 1.9 V are at its supply pin" in finding.remarks[0]


def test_our_own_echo_is_no_answer_and_noise_is_not_settled(tmp_path):
    with FarEnd(lambda end, data: end.send(data)) as far:
        assert off(far.path, tmp_path).outcome == "go"
    with FarEnd(lambda end, _: end.send(b"\xfe\x80\x91\xc3" * 4)) as far:
        finding = off(far.path, tmp_path)
    assert finding.outcome == "open"
    assert finding.remarks[0].startswith("Not checked: no answer came, but noise")


def test_without_a_voltage_nothing_is_sent(tmp_path):
    with FarEnd(ready) as far:
        finding = off(far.path, tmp_path, volts=None)
        assert far.heard == b""
    assert finding.outcome == "open"
    assert "type logger.off_voltage in volts" in finding.remarks[0]
    assert finding.power_cycle == ""


def test_stops_and_ports_that_fail_are_told(tmp_path):
    with FarEnd() as far:
        assert off(far.path, tmp_path, stopped=lambda: True).outcome == "open"
        with SerialLine(far.path, baud=9600):
            busy = off(far.path, tmp_path)
    assert busy.outcome == "open"
    assert "is in use" in busy.remarks[0]
    assert off("nowhere", tmp_path).outcome == "no-go"
    with FarEnd(lambda end, _: end.unplug()) as far:
        assert "was lost" in off(far.path, tmp_path).remarks[0]


def test_a_flight_file_that_does_not_ask_for_it_is_not_checked(tmp_path):
    finding = run(unpowered, flight("x"), tmp_path)
    assert finding.remarks == ("Not checked: the flight file has no [logger.off_voltage]",)
