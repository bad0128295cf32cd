"""A sender that starts anew is a power cycle: a banner, the counter, a gap after opening; nothing else is."""

from __future__ import annotations

import pytest
from boards import Board
from serial_ends import make_flight

from preflight.checks import tap
from preflight.checks.base import Context, run_check
from preflight.checks.restarts import restart_seen
from preflight.checks.sample_record import check
from preflight.checks.tap import Capture
from preflight.config.flight import SampleField
from preflight.decode.samples import Sample

FIELDS = (SampleField(name="n", role="counter"), SampleField(name="pressure", unit="hPa"))
BANNER = b"start-up v7\r\nsensors 4\r\n"


def flight(at, rate=20.0):
    return make_flight(
        link={"baud": 9600},
        port=[{"use": "tap", "at": at}],
        sample={"rate": rate, "format": "delimited", "length": 20.0, "field": list(FIELDS)},
    )


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(tap, "LEAST_SECONDS", 0.5)


def line(number):
    return f"{number},{990 + number % 7 / 10:.1f}\r\n".encode()


def test_a_board_that_opening_restarts_is_go_with_a_power_cycle_and_the_remedy(tmp_path):
    with Board(boot=1.7, banner=BANNER, sample=line) as board:
        finding = run_check(check, Context(flight=flight(board.path), folder=tmp_path))
    assert finding.outcome == "go", finding.remarks
    assert finding.power_cycle.startswith("seen on the tap: ")
    assert "the counter began at " in finding.power_cycle
    assert "after the port was opened" in finding.power_cycle
    assert "a start-up message came: “" in finding.power_cycle
    told = next(remark for remark in finding.remarks if "started anew" in remark)
    assert "set dtr and rts in its [[port]]" in told


def test_a_counter_that_restarts_in_the_middle_is_a_no_go_and_a_power_cycle(tmp_path):
    def sample(number):
        return line(500 + number if number < 10 else number - 10)

    with Board(sample=sample) as board:
        finding = run_check(check, Context(flight=flight(board.path), folder=tmp_path))
    assert finding.outcome == "no-go"
    assert finding.power_cycle == "seen on the tap: the counter went from 509 back to 0"


def heard(counts, *, first=0.05, every=0.1, gaps=(), prefix=b"", undecoded=0):
    """A capture of samples with these counters, `gaps` seconds later at these places."""
    capture = Capture(first=first, undecoded=undecoded)
    data, at = bytearray(prefix), first
    for place, count in enumerate(counts):
        raw = line(count)
        capture.samples.append(
            Sample(at_offset=len(data), raw=raw, values={"n": float(count), "pressure": 990.0})
        )
        data += raw
        at += every + dict(gaps).get(place, 0.0)
        capture.times.append(at)
    capture.data, capture.size = bytes(data), len(data)
    return capture


RUNNING = range(300, 330)


@pytest.mark.parametrize(
    "capture",
    [
        heard(RUNNING),
        heard(RUNNING, prefix=b"0.1\r\n"),
        heard([*range(250, 256), *range(20)]),
        heard([*range(65530, 65536), *range(20)]),
        heard(RUNNING, first=1.4),
        # Rare samples: to wait for the first one is no gap.
        heard(RUNNING, first=9.0, every=10.0),
        # A sender that pauses now and then.
        heard(RUNNING, first=2.0, gaps=((12, 2.5),)),
        # A line of other text before the first sample, and more of them later.
        heard(RUNNING, prefix=b"0.1\r\ncard ok\r\n", undecoded=5),
        heard(RUNNING, prefix=b"0.1\r\n\xfe\x80\x91\xc3\xfe\x80\r\n", undecoded=1),
        Capture(),
        heard([7]),
    ],
    ids=[
        "runs",
        "cut-line",
        "wraps-8",
        "wraps-16",
        "short",
        "rare",
        "pauses",
        "talks",
        "noise",
        "none",
        "one",
    ],
)
def test_a_sender_that_runs_is_no_restart(capture):
    assert restart_seen(FIELDS, capture) == ""


@pytest.mark.parametrize(
    ("capture", "told"),
    [
        (heard([300, 301, 302, 0, 1, 2]), "the counter went from 302 back to 0"),
        (heard(range(20)), "the counter began at 0"),
        (heard(range(1, 20)), "the counter began at 1"),
        (heard(RUNNING, first=2.0), "nothing came for 2.0 s after the port was opened"),
        (
            heard(range(20), prefix=b"\x00\r\nhello v2\r\n", undecoded=1),
            "a start-up message came: “hello v2␍␊”",
        ),
    ],
)
def test_each_sign_is_told(capture, told):
    assert told in restart_seen(FIELDS, capture)


def test_without_a_counter_a_banner_alone_tells():
    capture = heard(RUNNING, prefix=b"x\r\nhello \x1b[2Jv2\r\n", undecoded=1)
    assert restart_seen(FIELDS[1:], capture) == "a start-up message came: “hello ␛[2Jv2␍␊”"
