"""The model of a receiver at another speed: exact at the right one, text at no other, bounded in size."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.practice.uart import heard_as

LINE = b"1207,08:30:01,-43.93001,171.62002,212,9,992.6,9.0,8.11\r\n"
RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400)


@given(st.binary(max_size=200), st.sampled_from(RATES))
def test_at_the_same_speed_every_byte_arrives(data, rate):
    assert heard_as(data, sent=rate, listened=rate) == data


@pytest.mark.parametrize("off", [-0.04, -0.02, 0.02, 0.04])
def test_a_clock_a_few_percent_off_still_reads_every_byte(off):
    """Half a bit in nine and a half is 5 %: the budget that data sheets split between both ends."""
    assert heard_as(LINE, sent=9600, listened=round(9600 * (1 + off))) == LINE


@pytest.mark.parametrize("sent", RATES)
@pytest.mark.parametrize("listened", RATES)
def test_at_another_speed_nothing_readable_arrives(sent, listened):
    heard = heard_as(LINE * 4, sent=sent, listened=listened)
    if sent == listened:
        assert heard == LINE * 4
        return
    assert b"08:30" not in heard
    # A receiver makes about as many frames of a burst as it lasts.
    assert len(heard) <= len(LINE) * 4 * max(1.0, listened / sent) + 1


def test_bits_by_hand():
    # "U" is 0x55: 0 1010 1010 1 on the line. At half its speed a receiver takes every second bit.
    assert heard_as(b"U", sent=2, listened=2) == b"U"
    # Sent at half the speed of the listener each bit counts twice: start 0 0, then 11 00 11 ...
    assert heard_as(b"U", sent=1, listened=2)[:1] == bytes([0b01100110])


def test_seven_bits_with_even_parity_read_as_eight():
    # "1" is 0x31 with three bits set: even parity sets the eighth. "3" is 0x33 with four: it stays.
    assert heard_as(b"13", sent=9600, listened=9600, parity="E", bits=7) == b"\xb13"
    assert heard_as(b"13", sent=9600, listened=9600, parity="O", bits=7) == b"1\xb3"
