"""The serial line: capacity by framing, divisor errors, what a frame tolerates."""

import pytest

from preflight.figures.serial_line import (
    Framing,
    capacity,
    divisor_error,
    mismatch,
    recommended_error,
    stall_bytes,
    tolerance,
)

# Frame bits = start + data + parity + stop; B/s by arithmetic.
CAPACITIES = [
    (4800, 480.0, 436.4),
    (9600, 960.0, 872.7),
    (19200, 1920.0, 1745.5),
    (38400, 3840.0, 3490.9),
    (57600, 5760.0, 5236.4),
    (115200, 11520.0, 10472.7),
]


@pytest.mark.parametrize(("baud", "ten", "eleven"), CAPACITIES)
def test_capacity(baud: int, ten: float, eleven: float) -> None:
    assert capacity(baud, Framing.parse("8N1")) == ten
    for text in ("8E1", "8O1", "8N2"):
        assert capacity(baud, Framing.parse(text)) == pytest.approx(eleven, abs=0.05)


def test_9600_carries_960_bytes_not_1200() -> None:
    # common practice, no source
    assert capacity(9600, Framing.parse("8N1")) == 960.0
    assert Framing.parse("8N1").bits == 10
    assert Framing.parse("5N1.5").bits == 7.5


# 16 MHz, integer divisor: baud, samples a bit, error in %. 8-bit microcontroller data sheets, tables of baud
# rate settings, which round to 0.1 %.
DIVISORS = [
    (9600, 16, 0.160),
    (19200, 16, 0.160),
    (38400, 16, 0.160),
    (57600, 16, 2.124),
    (115200, 16, -3.549),
    (9600, 8, 0.160),
    (57600, 8, -0.794),
    (115200, 8, 2.124),
]


@pytest.mark.parametrize(("baud", "sampling", "percent"), DIVISORS)
def test_divisor_error(baud: int, sampling: int, percent: float) -> None:
    assert divisor_error(16e6, baud, sampling) * 100 == pytest.approx(percent, abs=0.0006)


# 8-bit microcontroller data sheets, "asynchronous operational range": samples a bit, framing, slowest and
# fastest sender in %, recommended per end in %. The printed -4.54 for 8 bits at 16 samples is a misprint:
# 100 - 95.36 = 4.64.
RANGES = [
    (16, "8N1", -4.64, 4.58, 2.0),
    (16, "8E1", -4.19, 4.14, 1.5),
    (8, "8N1", -4.00, 3.90, 1.5),
    (8, "8E1", -3.61, 3.53, 1.5),
]


@pytest.mark.parametrize(("sampling", "text", "slow", "fast", "advised"), RANGES)
def test_frame_tolerance(sampling: int, text: str, slow: float, fast: float, advised: float) -> None:
    framing = Framing.parse(text)
    low, high = tolerance(framing, sampling)
    assert low * 100 == pytest.approx(slow, abs=0.006)
    assert high * 100 == pytest.approx(fast, abs=0.006)
    assert recommended_error(framing, sampling) * 100 == advised


# The rows of the same tables for fewer bits: from memory.
SHORTER = [
    (16, "5N1", 3.0),
    (16, "5E1", 2.5),
    (16, "6N1", 2.5),
    (16, "7N2", 2.0),
    (8, "5N1", 2.5),
    (8, "6N1", 2.0),
    (8, "7N1", 1.5),
]


@pytest.mark.parametrize(("sampling", "text", "advised"), SHORTER)
def test_shorter_frames_tolerate_more(sampling: int, text: str, advised: float) -> None:
    framing = Framing.parse(text)
    assert recommended_error(framing, sampling) * 100 == pytest.approx(advised)
    slow, fast = tolerance(framing, sampling)
    assert advised / 100 < min(-slow, fast)
    assert min(-slow, fast) > min(abs(end) for end in tolerance(Framing.parse("8E1"), sampling))


@pytest.mark.parametrize(("text", "ideal"), [("8N1", 5.26), ("8E1", 4.76)])
def test_tolerance_stays_inside_the_ideal_receiver(text: str, ideal: float) -> None:
    # An electronics magazine's worked answer (no. 296): 0.5 / (N - 0.5) of N bit times up to the stop bit
    framing = Framing.parse(text)
    bits = framing.payload_bits + 2
    assert 50 / (bits - 0.5) == pytest.approx(ideal, abs=0.01)
    for sampling in (8, 16):
        low, high = tolerance(framing, sampling)
        assert max(-low, high) * 100 < ideal


def test_equal_divisors_cancel() -> None:
    error = divisor_error(16e6, 115200, 16)
    assert mismatch(error, error) == 0
    assert mismatch(error, 0.0) == pytest.approx(-0.0355, abs=1e-4)


def test_bytes_that_arrive_in_a_stall() -> None:
    # 8N1 at 38400 baud: 960, 1920 and 3840 B in 250, 500 and 1000 ms, by arithmetic. A line kept busy by its
    # samples reaches that, a quiet one does not.
    for stall, most in ((0.25, 960), (0.5, 1920), (1.0, 3840)):
        assert stall_bytes(3840.0, stall, 60.0, 64.0) == pytest.approx(most)
    assert stall_bytes(3840.0, 0.5, 2.0, 64.0) == 128.0
