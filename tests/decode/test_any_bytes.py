"""Whatever bytes come, in whatever pieces: no error, bounded memory, the same samples.

`PREFLIGHT_FUZZ` sets the number of examples for each layout (60 unless given).
"""

from __future__ import annotations

import itertools
import math
import os
import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from preflight.decode import decoder_for
from preflight.decode.nmea import PENDING_LIMIT
from preflight.decode.samples import LOOK_LIMIT, NOTES_LIMIT

EXAMPLES = int(os.environ.get("PREFLIGHT_FUZZ", "60"))

FUZZ = settings(
    max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
# Pieces that come close to samples of every layout, so that not all is noise.
PIECES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from(
        [
            *(b"\r\n", b"\r", b"\n", b",", b";", b" ", b'"', b"$", b"*", b"\xa5", b"\x5a", b"\x00"),
            b"1,idle,990.5,-4.5\r\n",
            b"1 idle 990.5 -4.5\n",
            b"counter;state;pressure;temperature\r\n",
            b'{"counter":1,"state":"idle","pressure":990,"temperature":NaN}\n',
            b'{"counter":' + b"[" * 2000,
            b'{"counter":' + b"9" * 5000 + b"}\n",
            b"1,idle,1e999,inf\n",
            b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n",
            b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n",
            b"$PABC,7*0B\r\n",
            b"$,*2C\r\n",
            b"$P*50\r\n",
            b"$PUBX*1F\r\n",
        ]
    ),
)
STREAMS = st.lists(PIECES, max_size=25).map(b"".join)


def checked(samples, data):
    """Samples lie one behind the other in the stream and hold only finite numbers, text or nothing."""
    end = 0
    for sample in samples:
        assert sample.at_offset >= end
        end = sample.at_offset + sample.length
        assert end <= len(data)
        assert len(sample.faults) == len(sample.faulty)
        for value in sample.values.values():
            assert value is None or isinstance(value, str) or math.isfinite(value)
        for text in (*sample.faults, *(v for v in sample.values.values() if isinstance(v, str))):
            assert all(char >= " " and char != "\x7f" for char in text)
    return samples


@given(data=STREAMS, cuts=st.lists(st.integers(0, 2000), max_size=8), joined=st.booleans())
@FUZZ
def test_pieces_of_any_size_give_the_same_samples(any_layout, data, cuts, joined):
    whole = decoder_for(any_layout, joined=joined)
    expected = checked(whole.feed(data) + whole.flush(), data)
    parts = decoder_for(any_layout, joined=joined)
    found = []
    edges = sorted({0, len(data), *(cut for cut in cuts if cut < len(data))})
    for begin, end in itertools.pairwise(edges):
        found += parts.feed(data[begin:end])
    found += parts.flush()
    assert found == expected
    assert (parts.undecoded, parts.undecoded_bytes) == (whole.undecoded, whole.undecoded_bytes)
    assert len(parts.look) <= LOOK_LIMIT
    assert len(parts.notes) <= NOTES_LIMIT


@pytest.mark.parametrize(
    "stream",
    [b"x", b"1,", b"\x00", b"\r", b"\n", b'{"a":', b"$GPTXT,01,01,02,A*0C\r\n", b"\xa5", b"\xa5\x5a"],
    ids=repr,
)
def test_memory_is_bounded_by_an_endless_stream(any_layout, stream):
    decoder = decoder_for(any_layout)
    piece = stream * (5000 // len(stream))
    for _ in range(30):
        decoder.feed(piece)
    held = len(decoder._buffer) + len(getattr(decoder, "_pending", b""))
    assert held <= PENDING_LIMIT + 70_000
    decoder.flush()
    assert len(decoder.look) <= LOOK_LIMIT


SENTENCES = (
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n$PABC,7*0B\r\n"
)


@pytest.mark.parametrize(
    ("name", "good"),
    [
        ("delimited", b"1,idle,990.5,-4.5\r\n"),
        ("spaced", b"1 idle 990.5  -4.5\n"),
        ("headed", b"1;idle;990.5;-4.5\r"),
        ("json", b'{"counter":1,"state":"idle","pressure":990,"temperature":3}\n'),
        ("nmea", SENTENCES),
    ],
)
def test_noise_in_front_never_hides_what_follows(layouts, name, good):
    decoder = decoder_for(layouts[name])
    noise = random.Random(11).randbytes(3000)
    found = decoder.feed(noise + b"\n" + good * 3) + decoder.flush()
    assert [sample.raw for sample in found[-3:]] == [good] * 3
    assert decoder.undecoded >= 1
