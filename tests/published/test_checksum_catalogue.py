"""Check values of the CRC catalogue: what "123456789" sums up to.

Source: the public "Catalogue of parametrised CRC algorithms", column check; the values below from memory.
"""

from __future__ import annotations

import pytest

from preflight.config.flight import Checksum, Sample, SampleField
from preflight.decode import decoder_for

CHECK = b"123456789"


@pytest.mark.parametrize(
    ("name", "check"),
    [
        ("CRC-8/SMBUS", "f4"),
        ("CRC-16/ARC", "bb3d"),
        ("CRC-16/IBM-3740", "29b1"),
        ("CRC-16/MODBUS", "4b37"),
        ("CRC-16/XMODEM", "31c3"),
        ("CRC-16/KERMIT", "2189"),
        ("CRC-32/ISO-HDLC", "cbf43926"),
        ("CRC-32/BZIP2", "fc891918"),
    ],
)
def test_a_packed_sample_is_proved_by_the_published_check_value(name, check):
    layout = Sample(
        rate=1.0,
        format="packed",
        length=16.0,
        field=(SampleField(name="digits", type="9s"),),
        sync="a5",
        checksum=Checksum(name=name, order="big"),
    )
    (sample,) = decoder_for(layout).feed(b"\xa5" + CHECK + bytes.fromhex(check))
    assert sample.values == {"digits": 123456789.0}
    assert decoder_for(layout).feed(b"\xa5" + CHECK + bytes(len(check) // 2)) == []
