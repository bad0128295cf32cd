"""The beacon on a receiver of its own, a file, a line or a socket: late, old, far, silent, another's."""

from __future__ import annotations

import contextlib
import socket
import threading
from datetime import UTC, datetime, timedelta
from functools import partial

import pytest
from sample_lines import sending
from serial_ends import PAYLOAD_SITE, FarEnd, make_flight
from side_by_side import SideBySide

from preflight.checks import beacon_heard
from preflight.checks.base import Context, run_check
from preflight.checks.table import get
from preflight.practice.simulate import SimulatedPayload

INTERVAL = 0.4
PATIENCE = 4.0, 0.4
check = get("beacon-heard")


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(beacon_heard, "PATIENCE", PATIENCE)


def flight(at, *, interval=INTERVAL, limits=None, **beacon):
    return make_flight(
        site=PAYLOAD_SITE,
        link={"baud": 9600},
        port=[{"use": "beacon", "at": str(at)}],
        beacon={"interval": interval, **beacon},
        limits=limits or {},
    )


def run(at, folder, *, stopped=lambda: False, **more):
    steps = []
    finding = run_check(
        check, Context(flight=flight(at, **more), folder=folder, stopped=stopped), steps.append
    )
    return finding, steps


def numbers(finding):
    return {reading.name: reading.value for reading in finding.readings}


@contextlib.contextmanager
def growing(path, make, every=INTERVAL):
    """A file to which `make(n)` is added every so often."""
    path.touch()
    over = threading.Event()

    def grow():
        n = 0
        while not over.wait(every):
            with path.open("a") as file:
                file.write(make(n))
            n += 1

    thread = threading.Thread(target=grow)
    thread.start()
    try:
        yield path
    finally:
        over.set()
        thread.join(5)


def now(ago=0.0):
    return f"{datetime.now(UTC) - timedelta(seconds=ago):%H:%M:%S}"


def test_the_simulated_beacon_is_heard_again_and_again(tmp_path, monkeypatch):
    with SimulatedPayload(tmp_path / "payload", rate=5, beacon=INTERVAL) as payload:
        for _ in range(2):
            finding, steps = run("payload/beacon.txt", tmp_path, call="SIM-7")
            assert finding.outcome == "go", finding.remarks
            found = numbers(finding)
            assert found["beacon.heard"] == 3
            assert found["beacon.interval"] == pytest.approx(INTERVAL, abs=0.2)
            assert found["beacon.age"] <= 2 * INTERVAL + 0.5
            assert found["beacon.distance"] < 1
            assert "SIM-7 -43.93000, 171.62000, 212 m”" in finding.remarks[-1]
            assert finding.evidence[0].data.count(b"\n") == 3
            assert steps[-1].text == "3 of 3 reports heard"
            (seen,) = steps[-1].live
            assert [each.faults for each in seen.reports] == [(), (), ()]
            assert all(each.distance < 1 for each in seen.reports)
        payload.plant(["beacon-silent"])
        finding, _ = run("payload/beacon.txt", tmp_path)
        assert finding.outcome == "no-go"
        assert finding.remarks[0].startswith("Nothing was heard in ")
        payload.plant(["beacon-old"])
        monkeypatch.setattr(beacon_heard, "TICKS", 0.0)
        finding, _ = run("payload/beacon.txt", tmp_path)
        assert finding.outcome == "no-go"
        assert "The beacon's position is 10 min" in finding.remarks[0]
        assert "it repeats the same report" in finding.remarks[0]


def test_another_beacons_reports_are_not_taken_for_ours(tmp_path):
    with growing(tmp_path / "heard.txt", lambda n: f"OTHER-1 -43.93000, 171.62000 #{n}\n"):
        finding, _ = run("heard.txt", tmp_path, call="SIM-7")
        assert finding.outcome == "no-go"
        assert "position(s) came in" in finding.remarks[0]
        assert "none with “SIM-7” in it" in finding.remarks[0]
        assert run("heard.txt", tmp_path, call="other-1")[0].outcome == "go"


FAULTY = {
    "is 111.1 km from the site, at -44.93000": lambda n: f"x {n} -44.93000, 171.62000\n",
    "The beacon's position is 5 min": lambda n: f"{now(300)} -43.93000, 171.62000 #{n}\n",
    "none of them with a position: “status": lambda n: f"status {n}, all well\n",
    "bytes came in": lambda n: "no line end",
    "One report only came in": lambda n: "" if n else "-43.93000, 171.62000\n",
    "passed between two reports, one is sent every 0.4 s: reports are lost": (
        lambda n: "-43.93000, 171.62000\n" if n in (0, 3, 4) else ""
    ),
    "but without a position: give it open sky": lambda n: "$GPGLL,,,,,225444,V*07\r\n",
}
"""What is told of the lines that a receiver gives out one after another."""


@pytest.fixture(scope="module")
def heard(tmp_path_factory):
    def listen(make):
        folder = tmp_path_factory.mktemp("heard")
        with growing(folder / "heard.txt", make):
            return run("heard.txt", folder)[0]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(beacon_heard, "PATIENCE", PATIENCE)
        return SideBySide({told: partial(listen, make) for told, make in FAULTY.items()})


@pytest.mark.parametrize("told", FAULTY)
def test_each_fault_is_no_go_and_named(heard, told):
    finding = heard[told]
    assert finding.outcome == "no-go"
    assert any(told in remark for remark in finding.remarks), finding.remarks


def test_local_time_in_a_report_is_no_age(tmp_path):
    with growing(tmp_path / "heard.txt", lambda n: f"{now(-13 * 3600)} -43.93000, 171.62000 #{n}\n"):
        finding, _ = run("heard.txt", tmp_path, limits={"beacon.age": {"at_most": 3.0}})
    assert finding.outcome == "go", finding.remarks


def test_a_report_heard_twice_by_two_ways_is_one(tmp_path):
    with growing(tmp_path / "heard.txt", lambda n: f"{n} -43.93000, 171.62000\n" * 2):
        finding, _ = run("heard.txt", tmp_path)
    assert finding.outcome == "go", finding.remarks
    assert numbers(finding)["beacon.interval"] > 0.2


def test_a_receiver_on_a_serial_line(tmp_path, monkeypatch):
    monkeypatch.setattr(beacon_heard, "TICKS", 0.0)
    sentence = b"$GPGGA,123519,4355.8000,S,17137.2000,E,1,08,0.9,212.4,M,46.9,M,,*"
    total = 0
    for byte in sentence[1:-1]:
        total ^= byte
    with sending(lambda n: sentence + b"%02X\r\n" % total, 2.5) as far:
        limits = {"beacon.age": {"at_most": 86400.0}}
        finding, _ = run(far.path, tmp_path, limits=limits)
    assert numbers(finding)["beacon.distance"] < 1
    assert "it repeats the same report" in finding.remarks[0]


def test_a_receiver_behind_a_socket(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as server:
        over = threading.Event()

        def serve():
            link, _ = server.accept()
            n = 0
            with link, contextlib.suppress(OSError):
                while not over.wait(INTERVAL):
                    link.sendall(b"%d -43.93000, 171.62000\n" % n)
                    n += 1

        thread = threading.Thread(target=serve)
        thread.start()
        finding, _ = run(f"socket://127.0.0.1:{server.getsockname()[1]}", tmp_path)
        over.set()
        thread.join(5)
    assert finding.outcome == "go", finding.remarks


def test_a_receiver_that_is_missing_lost_or_stopped(tmp_path):
    finding, _ = run("nothing.txt", tmp_path)
    assert finding.outcome == "no-go"
    assert "There is no port nothing.txt" in finding.remarks[0]
    far = FarEnd()
    with far:
        finding, _ = run(far.path, tmp_path, stopped=lambda: True)
        assert finding.outcome == "open"
        assert "stopped after" in finding.remarks[0]
        timer = threading.Timer(0.4, far.unplug)
        timer.start()
        finding, _ = run(far.path, tmp_path)
        timer.join()
    assert finding.outcome == "no-go"
    assert "was lost while reading" in finding.remarks[0]
