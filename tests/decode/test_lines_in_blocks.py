"""Many lines decoded together give what each gives alone."""

from __future__ import annotations

import os
import random

import pytest

from preflight.config.flight import Sample, SampleField
from preflight.decode import decoder_for, samples

ROUNDS = max(40, int(os.environ.get("PREFLIGHT_FUZZ", "60")) // 20)
FIELDS = (
    SampleField(name="counter", role="counter", at_least=0),
    SampleField(name="time", role="time"),
    SampleField(name="pressure", unit="hPa", at_least=1, at_most=1100, scale=0.1, offset=2.0),
    SampleField(name="word"),
)
ODD = [
    *("-1", "9" * 400, "1e3", "1e99999", "nan", "-inf", "Infinity", "", " ", " 7 ", "+.5", "5.", ".", "--1"),
    *("1_000", "٣", "12:00:00", "idle ", "a b", '"q"', "x\ty", "\x1b[31m", "é", "1,2", "\u2028", "x" * 120),
]


def stream(rng, delimiter):
    lines = []
    for n in range(rng.randrange(20, 90)):
        row = [str(n), f"08:{n // 60:02}:{n % 60:02}", f"{9900 + rng.randrange(90)}", rng.choice("ab")]
        if rng.random() < 0.08:
            row[rng.randrange(4)] = rng.choice(ODD)
        if rng.random() < 0.03:
            row = row[: rng.randrange(4)]
        lines.append(delimiter.join(row) + rng.choice(["\r\n"] * 9 + ["\r", "\n", "\n\n", ",\n"]))
    return "".join(lines).encode()


@pytest.mark.parametrize("delimiter", [",", ";", " ", "\t", "|", "é"])
@pytest.mark.parametrize("header", [False, True])
def test_blocks_change_nothing(monkeypatch, delimiter, header):
    rng = random.Random(f"{delimiter}{header}")
    layout = Sample(
        rate=1.0, format="delimited", length=64.0, field=FIELDS, delimiter=delimiter, header=header
    )
    for _ in range(ROUNDS):
        data = stream(rng, delimiter)
        if header:
            data = delimiter.join(["counter", "time", "pressure", "mode"]).encode() + b"\n" + data
        both = []
        for least in (samples.BLOCK_LEAST, 10**9):
            monkeypatch.setattr(samples, "BLOCK_LEAST", least)
            decoder = decoder_for(layout)
            found = decoder.feed(data) + decoder.flush()
            both.append((found, decoder.undecoded, decoder.undecoded_bytes, decoder.look, decoder.notes))
        monkeypatch.undo()
        assert both[0] == both[1]


def test_empty_lines_are_passed_over_in_blocks_too(monkeypatch):
    layout = Sample(rate=1.0, format="delimited", length=64.0, field=(SampleField(name="word"),))
    data = b"\n" + b"a\r\n" * 40 + b"\r\n\n" + b"b\n" * 40
    both = []
    for least in (samples.BLOCK_LEAST, 10**9):
        monkeypatch.setattr(samples, "BLOCK_LEAST", least)
        both.append(decoder_for(layout).feed(data))
    assert both[0] == both[1]
    assert len(both[0]) == 80


def test_plain_lines_are_taken_together(monkeypatch):
    """The way for single lines is not taken at all."""
    layout = Sample(rate=1.0, format="delimited", length=64.0, field=FIELDS)
    decoder = decoder_for(layout)
    monkeypatch.setattr(decoder, "decode_line", None)
    data = b"".join(b"%d,08:00:%02d,9900,a\r\n" % (n, n % 60) for n in range(500))
    found = decoder.feed(data)
    assert len(found) == 500
    assert found[-1].at_offset + found[-1].length == len(data)
    assert found[-1].values == {"counter": 499.0, "time": "08:00:19", "pressure": 992.0, "word": "a"}
