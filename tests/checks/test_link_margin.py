"""The line's margins from what is declared and what the tap measured."""

from __future__ import annotations

import pytest
from serial_ends import make_flight

from preflight.checks.base import Context, run_check
from preflight.checks.link_margin import check
from preflight.readings import Reading

FIELDS = [{"name": "counter", "role": "counter"}]


def flight(*, baud=9600, rate=2.0, length=64.0, limits=None, **link):
    return make_flight(
        link={"baud": baud, **link},
        sample={"rate": rate, "format": "delimited", "length": length, "field": FIELDS},
        limits=limits or {},
    )


def run(flight, tmp_path, **measured):
    readings = {
        f"sample.{name}": Reading(
            name=f"sample.{name}", value=value, unit={"length": "B", "rate": "Hz"}[name]
        )
        for name, value in measured.items()
    }
    return run_check(check, Context(flight=flight, folder=tmp_path, measured=readings))


def numbers(finding):
    return {reading.name: reading.value for reading in finding.readings}


def test_a_line_with_room_is_go(tmp_path):
    finding = run(flight(), tmp_path, length=60.0, rate=2.0)
    assert finding.outcome == "go"
    found = numbers(finding)
    assert found["link.capacity"] == 960.0  # 9600 baud, ten bits a frame
    assert found["link.load"] == 128.0  # the larger of measured and declared
    assert found["link.margin"] == 7.5
    assert found["link.stall_bytes"] == 128.0  # (1 begun in 500 ms + 1) x 64 B
    assert found["link.stall_margin"] == 4.0
    assert {"sample.length", "sample.rate", "link.baud", "link.stall", "link.buffer"} <= set(finding.reads)


def test_what_the_tap_measured_counts_where_it_is_larger(tmp_path):
    finding = run(flight(), tmp_path, length=100.0, rate=6.0)
    assert finding.outcome == "no-go"
    assert numbers(finding)["link.load"] == pytest.approx(600.0)
    assert any("a line of" in remark for remark in finding.remarks), "what would mend it"
    assert any("more than 10% apart" in remark for remark in finding.remarks)


def test_a_receive_buffer_that_is_too_small_is_no_go(tmp_path):
    finding = run(flight(rate=10.0, buffer=256.0, baud=38400), tmp_path, length=64.0, rate=10.0)
    assert finding.outcome == "no-go"
    assert numbers(finding)["link.stall_margin"] < 1


def test_before_the_tap_it_says_that_it_counts_the_declared_values(tmp_path):
    finding = run(flight(), tmp_path)
    assert finding.outcome == "go"
    assert "not measured it yet: sample.length, sample.rate" in finding.remarks[-1]


def test_the_flight_files_own_limit_counts(tmp_path):
    finding = run(flight(limits={"link.margin": {"at_least": 8.0}}), tmp_path)
    assert finding.outcome == "no-go"


def test_a_senders_clock_far_off_is_no_go(tmp_path):
    finding = run(flight(baud=115200, clock=16e6, rate=1.0), tmp_path)
    assert finding.outcome == "no-go"
    assert numbers(finding)["link.clock_error"] == pytest.approx(3.549, abs=0.001)


def test_without_a_line_there_is_nothing_to_check(tmp_path):
    finding = run_check(check, Context(flight=make_flight(), folder=tmp_path))
    assert finding.outcome == "open"
