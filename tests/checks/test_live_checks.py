"""What each check tells while it works, against the simulated payload and a card served over FUSE."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from card_images import MIB, flight_text, need_fuse
from fuse_card import fuse_card
from serial_ends import PAYLOAD_SITE, FarEnd, make_flight

from preflight.checks import (
    battery_voltage,
    card_capacity,
    card_write,
    log_recording,
    position,
    sample_record,
    tap,
)
from preflight.checks.base import Context, run_check
from preflight.checks.log_recording import record
from preflight.checks.logger_response import check as logger_response
from preflight.config.load import parse_flight
from preflight.live import MOST_LINES, MOST_POINTS, Stream, Trace
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.simulate import EXCHANGES, LEAVE, SimulatedPayload
from preflight.readings import Progress

RATE = 20.0


@pytest.fixture(scope="module")
def payload(tmp_path_factory):
    with SimulatedPayload(tmp_path_factory.mktemp("payload"), rate=RATE) as running:
        yield running


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(tap, "LEAST_SECONDS", 1.2)
    monkeypatch.setattr(position, "SECONDS", 1.2)


def flight(payload, **more):
    return make_flight(
        site=PAYLOAD_SITE,
        link={"baud": 38400},
        port=[{"use": "tap", "at": payload.tap}, {"use": "logger", "at": payload.logger}],
        sample={"rate": RATE, "format": "delimited", "length": 72.0, "field": list(SAMPLE_FIELDS)},
        **more,
    )


def followed(check, made, folder: Path, **more) -> list[Progress]:
    steps: list[Progress] = []
    run_check(check, Context(flight=made, folder=folder, **more), steps.append)
    return steps


def part(progress: Progress, kind, name: str):
    return next(each for each in progress.live if isinstance(each, kind) and each.name == name)


def test_the_tap_shows_lines_rate_and_jitter(payload, tmp_path) -> None:
    payload.plant(["out-of-range=pressure"])
    last = followed(sample_record.check, flight(payload), tmp_path)[-1]
    stream = part(last, Stream, "tap")
    assert 24 <= stream.seen <= 26
    assert len(stream.lines) <= MOST_LINES
    assert stream.lines[-1].bad[0].why == "pressure: 1203.4 hPa is above 1100 hPa"
    rate = part(last, Trace, "rate")
    assert rate.declared == RATE
    assert rate.points
    assert "20 Hz declared" in rate.told
    assert part(last, Trace, "jitter").unit == "ms"
    payload.plant(())


def test_a_position_is_live_with_its_limits(payload, tmp_path) -> None:
    steps = followed(position.check, flight(payload), tmp_path, typed={"position.ceiling": 50.0})
    readings = {reading.name: reading for reading in steps[-1].readings}
    assert readings["position.fix"].value == "satellites"
    assert readings["position.satellites"].value in (8, 9, 10)
    assert readings["position.satellites"].at_least == 5
    assert readings["position.distance"].value < 100
    assert readings["position.distance"].at_most == 1000


def test_no_fix_is_said_at_once(payload, tmp_path) -> None:
    payload.plant(["no-fix"])
    steps = followed(position.check, flight(payload), tmp_path)
    readings = {reading.name: reading for reading in steps[-1].readings}
    assert readings["position.fix"].value == "none"
    assert readings["position.satellites"].within is False
    assert "position.distance" not in readings
    payload.plant(())


CELLS = {
    "chemistry": "li-ion",
    "series": 2,
    "capacity": 3.4,
    "state": "charged",
    "cell_temperature": 263.15,
    "rail": 5.0,
    "dropout": 0.3,
    "regulator": "linear",
    "load": [{"name": "all", "current": 0.1}],
}


def test_voltages_are_a_trend_from_open_to_loaded_with_the_cut_off(payload, tmp_path) -> None:
    made = flight(payload, battery=CELLS)
    typed = {"battery.open_voltage": 8.35}
    trace = part(followed(battery_voltage.check, made, tmp_path, typed=typed)[-1], Trace, "voltage")
    assert trace.points[0] == 8.35
    assert all(7.9 < value < 8.3 for value in trace.points[1:])
    assert trace.posts == ((0, "open"), (1, "loaded"))
    assert (trace.at_least, trace.at_most) == (6.0, 8.5)


def test_a_conversation_is_shown_as_it_goes(payload, tmp_path) -> None:
    logger = {"exchange": list(EXCHANGES), "leave": list(LEAVE)}
    last = followed(logger_response, flight(payload, logger=logger), tmp_path)[-1]
    said = [(line.kind, line.text) for line in part(last, Stream, "logger").lines]
    assert ("sent", "?␍") in said
    assert any(kind == "heard" and "ready" in text for kind, text in said)


def test_a_recording_shows_the_tap(payload, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(log_recording, "SECONDS", (0.5, 0.5))
    stopped = threading.Event()
    made = flight(payload, beacon={"interval": 0.1, "battery": CELLS})
    run = record(Context(flight=made, folder=tmp_path, stopped=stopped.is_set))
    for step in run:
        if "PULL" in step.text and part(step, Stream, "tap").lines:
            stopped.set()
            last = step
    assert part(last, Stream, "tap").seen >= 3
    assert part(last, Trace, "rate").declared == RATE


def test_a_stall_of_the_card_is_in_its_strip_beside_what_the_buffer_lasts_for(tmp_path, monkeypatch) -> None:
    need_fuse("fusermount")
    monkeypatch.setattr(card_write, "APPENDS", 200)
    monkeypatch.setattr(card_write, "BLOCKS", 4)
    link = '[link]\nbaud = 38400\nbuffer = "512 B"\n'
    with fuse_card(tmp_path / "store", tmp_path / "mnt", claimed=64 * MIB, stall=(50, 0.3)):
        made = parse_flight(flight_text(tmp_path / "mnt", more=link).encode(), "flight.toml")
        steps = followed(card_write.check, made, tmp_path)
    shown = [step for step in steps if step.live]
    early, late = part(shown[0], Trace, "append"), part(shown[-1], Trace, "append")
    assert len(early.points) < len(late.points) <= MOST_POINTS
    assert max(late.points) >= 300
    # 512 B at 3840 B/s, or samples of 64 B at 2 Hz: seven of them besides the one under way.
    assert late.at_most == pytest.approx(3500.0)
    assert "samples a second, " in late.told
    assert "s left" in part(shown[1], Trace, "append").told
    assert part(shown[-1], Trace, "block").points


def test_a_capacity_test_shows_its_speed(tmp_path) -> None:
    need_fuse("fusermount")
    with fuse_card(tmp_path / "store", tmp_path / "mnt", claimed=64 * MIB):
        made = parse_flight(flight_text(tmp_path / "mnt").encode(), "flight.toml")
        last = [step for step in followed(card_capacity.check, made, tmp_path) if step.live][-1]
    trace = part(last, Trace, "speed")
    assert "MiB done" in trace.told
    assert all(speed > 0 for speed in trace.points)
    assert trace.posts[-1][1] == "read back"


class Fast(FarEnd):
    """Sends numbered lines as fast as the terminal takes them."""

    def _run(self) -> None:
        number = 0
        while not self.over:
            self.send(b"".join(b"%d,992.1,9.0\r\n" % (number + n) for n in range(10)))
            number += 10
            self.pause(0.01)


def test_a_stream_of_a_thousand_lines_a_second_is_heard_whole_and_shown_in_few(tmp_path) -> None:
    fields = (
        {"name": "counter", "role": "counter", "at_least": 0},
        {"name": "pressure", "unit": "hPa", "role": "pressure", "at_least": 1, "at_most": 1100},
        {"name": "temperature", "unit": "degC", "role": "temperature", "at_least": -90, "at_most": 60},
    )
    with Fast() as far:
        made = make_flight(
            site=PAYLOAD_SITE,
            link={"baud": 230400},
            port=[{"use": "tap", "at": far.path}],
            sample={"rate": 1000.0, "format": "delimited", "length": 20.0, "field": list(fields)},
        )
        steps: list[Progress] = []
        finding = run_check(sample_record.check, Context(flight=made, folder=tmp_path), steps.append)
    assert not any("missing" in remark for remark in finding.remarks), finding.remarks
    stream = part(steps[-1], Stream, "tap")
    assert stream.seen >= 1000
    assert len(stream.lines) <= MOST_LINES
    assert len(steps) <= 12 * finding.seconds + 5
