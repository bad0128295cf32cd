"""Packed binary: byte order, sync found again, checksums by their catalogue names."""

from __future__ import annotations

import random
import struct

import pytest
from crccheck.checksum import Checksum8, ChecksumXor8
from crccheck.crc import Crc16Ibm3740, Crc32

from preflight.config.flight import Checksum, SampleField
from preflight.decode import decoder_for
from preflight.errors import PreflightError

SYNC = b"\xa5\x5a"


def body(counter, pressure=9905, label=b"abcd", t=-4.5):
    return struct.pack("<IxH4sf", counter, pressure, label, t)


def frame(counter, **more):
    packed = body(counter, **more)
    return SYNC + packed + Crc16Ibm3740.calcbytes(packed, byteorder="little")


def test_a_frame(layouts):
    (sample,) = decoder_for(layouts["packed"]).feed(frame(7, label=b"ab\0\0"))
    assert sample.values == {"counter": 7.0, "pressure": 990.5, "label": "ab", "t": -4.5}
    assert (sample.faults, sample.length) == ((), 2 + 15 + 2)


def test_faults_are_judged_after_scaling(layouts):
    (sample,) = decoder_for(layouts["packed"]).feed(frame(7, pressure=12000, t=float("nan")))
    assert sample.faults == ("pressure: 1200 hPa is above 1100 hPa", "t: nan is not a number")


def test_text_in_a_frame_is_cleaned(layouts):
    (sample,) = decoder_for(layouts["packed"]).feed(frame(7, label=b"\x1b[2J"))
    assert sample.values["label"] == "␛[2J"


def test_every_frame_in_noise_is_found_and_nothing_else(layouts):
    chance = random.Random(5)
    stream = b""
    for counter in range(40):
        stream += chance.randbytes(chance.randrange(30)) + SYNC[: chance.randrange(3)] + frame(counter)
    decoder = decoder_for(layouts["packed"])
    found = []
    for start in range(0, len(stream), 7):
        found += decoder.feed(stream[start : start + 7])
    assert [sample.values["counter"] for sample in found] == list(map(float, range(40)))
    assert all(stream[s.at_offset :].startswith(s.raw) for s in found)
    assert decoder.undecoded_bytes == len(stream) - sum(s.length for s in found)


def test_a_frame_with_a_wrong_bit_is_undecoded(layouts):
    broken = bytearray(frame(1))
    broken[6] ^= 4
    decoder = decoder_for(layouts["packed"])
    found = decoder.feed(bytes(broken) + frame(2))
    assert [sample.values["counter"] for sample in found] == [2.0]
    assert (decoder.undecoded, decoder.undecoded_bytes, decoder.look) == (1, 19, bytes(broken))


def test_joined_in_the_middle_up_to_one_frame_is_not_counted(layouts):
    decoder = decoder_for(layouts["packed"], joined=True)
    assert len(decoder.feed(frame(1)[5:] + frame(2) + frame(3))) == 2
    assert decoder.undecoded == 0


def test_a_cut_last_frame_is_counted_at_the_end(layouts):
    decoder = decoder_for(layouts["packed"])
    decoder.feed(frame(1) + frame(2)[:9])
    assert decoder.flush() == []
    assert (decoder.undecoded, decoder.undecoded_bytes) == (1, 9)


def test_without_a_checksum_the_sync_must_come_again(make_layout):
    layout = make_layout("packed", [SampleField(name="n", type="H")], sync="a55a", byte_order="big")
    # A sync that is a value's bytes: not followed by another, so it is passed over.
    stream = SYNC + b"\xa5\x5a" + SYNC + b"\x00\x01" + SYNC + b"\x00\x02"
    decoder = decoder_for(layout, joined=True)
    found = decoder.feed(b"\x5a\x00" + stream) + decoder.flush()
    assert [sample.values["n"] for sample in found] == [0xA55A, 1, 2]
    decoder = decoder_for(layout, joined=True)
    found = decoder.feed(SYNC + b"\x00\x01" + b"\xff" + (SYNC + b"\x00\x02") * 2) + decoder.flush()
    assert [sample.values["n"] for sample in found] == [2, 2]


@pytest.mark.parametrize(
    ("name", "order", "summed"),
    [
        ("CRC-32/ISO-HDLC", "big", lambda data: Crc32.calcbytes(data, byteorder="big")),
        ("crc-16/ccitt-false", "big", lambda data: Crc16Ibm3740.calcbytes(data, byteorder="big")),
        ("Checksum8", "little", Checksum8.calcbytes),
        ("ChecksumXor8", "little", ChecksumXor8.calcbytes),
    ],
)
def test_checksums_by_name_and_order(make_layout, name, order, summed):
    fields = [SampleField(name="n", type="I")]
    layout = make_layout("packed", fields, sync="7e", checksum=Checksum(name=name, order=order))
    packed = struct.pack("<I", 123456)
    (sample,) = decoder_for(layout).feed(b"\x7e" + packed + summed(packed))
    assert sample.values == {"n": 123456.0}


@pytest.mark.parametrize(
    ("fields", "more", "message"),
    [
        ([{"name": "n"}], {"sync": "7e"}, "'n': a packed field needs a type"),
        ([{"name": "n", "type": "H"}], {}, "need sync bytes or a checksum"),
        (
            [{"name": "n", "type": "H"}],
            {"checksum": Checksum(name="CRC-16/MODBU")},
            "no 'CRC-16/MODBU': the nearest is 'CRC-16/MODBUS'",
        ),
        (
            [{"name": "n", "type": "H"}],
            {"checksum": Checksum(name="∂")},
            "use a name such as 'CRC-16/IBM-3740'",
        ),
        ([{"name": "n", "type": "B"}], {"checksum": Checksum(name="Checksum16")}, "there is no 'Checksum16'"),
    ],
)
def test_a_layout_that_cannot_be_decoded_is_refused(make_layout, fields, more, message):
    with pytest.raises(PreflightError, match=message):
        decoder_for(make_layout("packed", [SampleField(**field) for field in fields], **more))
