"""The logger's replies on a real pseudo-terminal: late, in pieces, after noise, echoed, or none at all.

The check promises its finding within the times declared plus one second, so that is measured.
"""

from __future__ import annotations

import itertools
import time

import pytest
from serial_ends import FarEnd, make_flight, wait_until

from preflight.checks import listening
from preflight.checks.base import Context, run_check
from preflight.checks.logger_response import check
from preflight.devices.serial_line import SerialLine

LEAVE = b"go\r"
WITHIN = 0.8


@pytest.fixture(autouse=True)
def at_one_speed(monkeypatch):
    """Asking at other speeds has tests of its own."""
    monkeypatch.setattr(listening, "RATES", ())


def flight(at, *exchanges, leave=({"send": "go\r"},), **port):
    exchanges = exchanges or ({"send": "?\r", "expect": "ready", "within": WITHIN},)
    return make_flight(
        link={"baud": 38400},
        port=[{"use": "logger", "at": at, **port}],
        logger={"exchange": exchanges, "leave": leave},
    )


def run(flight, tmp_path, **more):
    """The finding, and whether it came within what is declared plus one second."""
    logger = flight.logger
    declared = sum(step.within for step in logger.exchange)
    declared += sum(step.within for step in logger.leave if step.expect is not None)
    started = time.monotonic()
    finding = run_check(check, Context(flight=flight, folder=tmp_path, **more))
    assert time.monotonic() - started < declared + 1.0
    return finding


def answering(reply, *, before=0.0, pieces=0, echo=False, noise=b""):
    """A far end that answers "?" and nothing else."""

    def answer(end, data):
        if echo:
            end.send(data)
        if b"?" not in data:
            return
        end.pause(before)
        end.send(noise)
        if not pieces:
            end.send(reply)
            return
        for start in range(0, len(reply), pieces):
            end.send(reply[start : start + pieces])
            end.pause(0.05)

    return FarEnd(answer)


def times(finding):
    return [reading.value for reading in finding.readings if reading.name == "logger.reply_time"]


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"before": 0.5},
        {"pieces": 2},
        {"noise": b"\xfe\x00\x91\xff\r\n\x1b["},
        {"echo": True},
        {"before": 0.3, "pieces": 3, "noise": b"\x80\x80", "echo": True},
    ],
    ids=["at-once", "late", "pieces", "noise", "echo", "all"],
)
def test_an_answer_in_time_is_go_and_the_logger_is_left(how, tmp_path):
    with answering(b"ready 3\r\n", **how) as far:
        finding = run(flight(far.path), tmp_path)
        assert finding.outcome == "go", finding.remarks
        assert how.get("before", 0) <= times(finding)[0] <= WITHIN
        wait_until(lambda: far.heard.endswith(LEAVE))
        assert finding.evidence[0].name == "logger exchange"
        assert b"3f 0d" in finding.evidence[0].data


def test_silence_is_no_go_and_says_what_to_look_at(tmp_path):
    with FarEnd() as far:
        finding = run(flight(far.path), tmp_path)
        assert finding.outcome == "no-go"
        assert times(finding) == [None]
        assert "Heard nothing for 0.8 s" in finding.remarks[0]
        assert "38400 baud 8N1" in finding.remarks[0]
        wait_until(lambda: far.heard.endswith(LEAVE))


def test_an_answer_after_its_time_is_told_from_none(tmp_path):
    with answering(b"ready\r\n", before=WITHIN + 0.1) as far:
        finding = run(flight(far.path), tmp_path)
        assert finding.outcome == "no-go"
        assert times(finding)[0] > WITHIN
        assert "later than the 0.8 s declared" in finding.remarks[1]
        wait_until(lambda: far.heard.endswith(LEAVE))


@pytest.mark.parametrize("changed", [lambda data: data, lambda data: data.replace(b"\r", b"\r\n")])
def test_only_our_own_bytes_are_named_as_a_bridge(tmp_path, changed):
    with FarEnd(lambda end, data: end.send(changed(data))) as far:
        finding = run(flight(far.path, {"send": "ready?\r", "expect": "ready", "within": 0.5}), tmp_path)
        assert finding.outcome == "no-go"
        assert "transmit and receive are bridged" in finding.remarks[0]
        wait_until(lambda: LEAVE in far.heard)


def test_an_echo_that_comes_in_pieces_is_no_answer(tmp_path):
    def answer(end, data):
        for start in range(0, len(data), 3):
            end.send(data[start : start + 3])
            end.pause(0.1)

    with FarEnd(answer) as far:
        finding = run(flight(far.path, {"send": "ready?\r", "expect": "re", "within": 0.7}), tmp_path)
        assert finding.outcome == "no-go"
        assert "Only our own bytes" in finding.remarks[0]


def test_noise_and_other_text_are_told_apart(tmp_path):
    with answering(b"\xfe\x91\x00\x80" * 4) as far:
        assert "Heard noise" in run(flight(far.path), tmp_path).remarks[0]
    with answering(b"busy\x1b[2J\r\n") as far:
        remark = run(flight(far.path), tmp_path).remarks[0]
        assert "heard “busy␛[2J␍␊”, not /ready/" in remark


def test_a_missing_port_is_no_go_and_a_busy_one_is_open(tmp_path):
    finding = run(flight("nowhere"), tmp_path)
    assert (finding.outcome, finding.readings) == ("no-go", ())
    assert "There is no port nowhere" in finding.remarks[0]
    with FarEnd() as far, SerialLine(far.path, baud=9600):
        finding = run(flight(far.path), tmp_path)
        assert finding.outcome == "open"
        assert finding.remarks[0].startswith("Not checked:")


def test_a_lead_pulled_in_the_middle_is_no_go_and_warns_of_the_logger_left_waiting(tmp_path):
    with FarEnd(lambda end, _: end.unplug()) as far:
        finding = run(flight(far.path), tmp_path)
        assert finding.outcome == "no-go"
        assert "was lost" in finding.remarks[0]
        assert "leave sequence could not be sent" in finding.remarks[-1]


def test_a_stop_is_open_and_the_logger_is_left(tmp_path):
    with FarEnd() as far:
        finding = run(flight(far.path), tmp_path, stopped=lambda: b"?" in far.heard)
        assert finding.outcome == "open"
        assert "Stopped: exchange 1" in finding.remarks[0]
        wait_until(lambda: far.heard.endswith(LEAVE))


def test_the_logger_is_left_when_the_run_is_given_up(tmp_path):
    with FarEnd() as far:
        check_run = check.run(Context(flight=flight(far.path), folder=tmp_path))
        next(check_run)
        wait_until(lambda: b"?" in far.heard or next(check_run, None) is None)
        check_run.close()
        wait_until(lambda: far.heard.endswith(LEAVE))


def test_the_logger_is_left_after_an_error_of_this_tool(tmp_path, monkeypatch):
    from preflight.checks.replies import Matcher

    def broken(*_args, **_more):
        raise RuntimeError("a defect")

    monkeypatch.setattr(Matcher, "search", broken)
    with answering(b"ready\r\n") as far:
        with pytest.raises(RuntimeError):
            run(flight(far.path), tmp_path)
        wait_until(lambda: far.heard.endswith(LEAVE))


def test_every_leave_step_is_sent_in_order_and_its_reply_judged(tmp_path):
    leave = ({"send": {"hex": "1b 1B"}}, {"send": "go\r", "expect": "logging", "within": 0.5})

    def answer(end, data):
        if b"?" in data:
            end.send(b"ready\r\n")
        if b"go" in data:
            end.send(b"logging\r\n")

    with FarEnd(answer) as far:
        finding = run(flight(far.path, leave=leave), tmp_path)
        assert finding.outcome == "go"
        assert far.heard == b"?\r\x1b\x1bgo\r"
    with answering(b"ready\r\n") as far:
        finding = run(flight(far.path, leave=leave), tmp_path)
        assert finding.outcome == "no-go"
        assert "Switch it off and on" in finding.remarks[0]


def test_exchanges_go_in_order_and_the_first_bad_one_ends_them(tmp_path):
    steps = [{"send": f"{n}\r", "expect": f"got {n}", "within": 0.5} for n in (1, 2, 3)]

    def answer(end, data):
        if data.startswith((b"1", b"3")):
            end.send(b"got " + data.strip() + b"\r\n")

    with FarEnd(answer) as far:
        finding = run(flight(far.path, *steps), tmp_path)
        assert finding.outcome == "no-go"
        wait_until(lambda: far.heard.endswith(LEAVE))
        assert far.heard == b"1\r2\rgo\r"
        assert len(times(finding)) == 2


def test_named_groups_become_readings_or_remarks(tmp_path):
    expect = r"free=(?P<free>\d+) temp=(?P<temp>-?[\d.]+) mode=(?P<mode>\w+)( x=(?P<none>\d))?"
    with answering(b"free=3871 temp=-4.5 mode=idle\r\n", pieces=2) as far:
        within = {"send": "?\r", "expect": expect, "within": 2}
        finding = run(flight(far.path, within), tmp_path)
        assert finding.outcome == "go"
        found = {reading.name: reading.value for reading in finding.readings}
        assert (found["logger.free"], found["logger.temp"]) == (3871.0, -4.5)
        assert "mode: idle" in finding.remarks
        assert "none: not given" in finding.remarks


def test_a_number_in_pieces_is_read_to_its_end(tmp_path):
    with answering(b"n=123456", pieces=1) as far:
        finding = run(flight(far.path, {"send": "?\r", "expect": r"n=(?P<n>\d+)", "within": 1.5}), tmp_path)
        assert {r.name: r.value for r in finding.readings}["logger.n"] == 123456.0


def test_an_answer_behind_a_flood_of_noise_is_found(tmp_path):
    with answering(b"\x00\xff" * 4000 + b"ready\r\n") as far:
        finding = run(flight(far.path, {"send": "?\r", "expect": "ready", "within": 3}), tmp_path)
        assert finding.outcome == "go"


def test_a_pattern_that_would_run_for_hours_is_ended_in_time(tmp_path):
    with answering(b"a" * 400 + b"!\r\n") as far:
        finding = run(flight(far.path, {"send": "?\r", "expect": "(a|a)*$x", "within": 0.5}), tmp_path)
        assert finding.outcome == "no-go"
        assert "takes too long" in finding.remarks[0]
        wait_until(lambda: far.heard.endswith(LEAVE))


def test_a_pattern_that_is_none_leaves_the_logger_alone(tmp_path):
    with FarEnd() as far:
        finding = run(flight(far.path, {"send": "?\r", "expect": "(", "within": 0.5}), tmp_path)
        assert finding.outcome == "open"
        assert "no regular expression" in finding.remarks[0]
        assert far.heard == b""


def test_what_comes_before_we_speak_is_recorded_as_a_restart(tmp_path):
    started = itertools.count()

    with answering(b"ready\r\n") as far:
        original = SerialLine.read

        def read(self, *args):
            if next(started) == 0:
                far.send(b"boot v2\r\n")
            return original(self, *args)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(SerialLine, "read", read)
            finding = run(flight(far.path), tmp_path)
        assert finding.outcome == "go"
        assert "said “boot v2␍␊”" in finding.remarks[0]
        assert "set dtr and rts" in finding.remarks[0]


def test_a_relative_port_starts_at_the_flight_files_folder(tmp_path):
    with answering(b"ready\r\n") as far:
        (tmp_path / "logger").symlink_to(far.path)
        assert run(flight("logger"), tmp_path).outcome == "go"


def test_no_child_process_to_judge_replies_is_told_and_the_logger_left(tmp_path, monkeypatch):
    import subprocess

    def refuse(*_args, **_more):
        raise OSError("no processes left")

    monkeypatch.setattr(subprocess, "Popen", refuse)
    with FarEnd() as far:
        finding = run(flight(far.path), tmp_path)
        assert finding.outcome == "no-go"
        assert "no child process could be started" in finding.remarks[0]
        wait_until(lambda: far.heard.endswith(LEAVE))


def test_without_a_port_the_check_is_not_run(tmp_path):
    finding = run_check(check, Context(flight=make_flight(), folder=tmp_path))
    assert finding.outcome == "open"
    assert finding.remarks == ("Not checked: the flight file has no [port.logger]",)
