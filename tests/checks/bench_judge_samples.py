"""Decoding and judging a delimited log of 200,000 samples, against csv.reader and float() over its bytes.

    python tests/checks/bench_judge_samples.py [SAMPLES]

Prints the ratio of the best of several runs each, for a sound log, for the same with one damaged line in a
thousand, and for one whose samples hold numbers alone. What is compared with: text read as UTF-8, every row
by csv.reader, float() over every column, those that are no number left as they are.
"""

import csv
import io
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from serial_ends import PAYLOAD_SITE, make_flight

from preflight.checks.judging import judge_samples
from preflight.config.flight import Flight, SampleField
from preflight.decode import decoder_for
from preflight.practice.faults import SAMPLE_FIELDS

RUNS = 5
PIECE = 1 << 16


def log(count: int, fields: tuple[SampleField, ...], *, damaged: int = 0) -> bytes:
    lines = []
    for n in range(count):
        values = {
            "counter": n,
            "time": f"{n // 3600 % 24:02}:{n // 60 % 60:02}:{n % 60:02}",
            "latitude": f"{-43.93 + n % 7 * 1e-5:.5f}",
            "longitude": f"{171.62 + n % 5 * 1e-5:.5f}",
            "altitude": 212 + n % 3,
            "satellites": 9 + n % 2,
            "pressure": f"{992.6 + n % 5 / 10:.1f}",
            "temperature": f"{9 + n % 9 / 10:.1f}",
            "battery": f"{8.1 + n % 3 / 100:.2f}",
        }
        line = ",".join(str(values[field.name]) for field in fields)
        lines.append(line[: len(line) // 2] + "\r\n" if damaged and n % damaged == 7 else line + "\r\n")
    return "".join(lines).encode()


def plain(data: bytes) -> int:
    count = 0
    for row in csv.reader(io.StringIO(data.decode(), newline="")):
        count += 1
        for column in row:
            try:
                float(column)
            except ValueError:
                continue
    return count


def ours(flight: Flight, data: bytes) -> int:
    assert flight.sample is not None
    decoder = decoder_for(flight.sample)
    samples = []
    for begin in range(0, len(data), PIECE):
        samples += decoder.feed(data[begin : begin + PIECE])
    samples += decoder.flush()
    judge_samples(flight, samples, len(samples) / flight.sample.rate)
    return len(samples)


def best(work: Callable[[], object]) -> float:
    times = []
    for _ in range(RUNS):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return min(times)


def compare(name: str, count: int, fields: tuple[SampleField, ...], *, damaged: int = 0) -> None:
    data = log(count, fields, damaged=damaged)
    sample = {"rate": 20.0, "format": "delimited", "length": 72.0, "field": list(fields)}
    flight = make_flight(site=PAYLOAD_SITE, sample=sample)
    theirs = best(lambda: plain(data))
    mine = best(lambda: ours(flight, data))
    print(
        f"{name:<24} {ours(flight, data):>7} samples, {len(data) / 1e6:5.1f} MB: {mine * 1e3:7.1f} ms "
        f"decoded and judged, {theirs * 1e3:7.1f} ms csv.reader and float(), ratio {mine / theirs:.2f}"
    )


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    compare("sound", number, SAMPLE_FIELDS)
    compare("one in 1000 damaged", number, SAMPLE_FIELDS, damaged=1000)
    compare("numbers alone", number, tuple(field for field in SAMPLE_FIELDS if field.name != "time"))
