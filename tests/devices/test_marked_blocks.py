"""Marked blocks tell wrap-around, loss and damage from one another, whatever address and length."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.devices.marked_blocks import PAGE, WORDS, Pattern, Tally

PATTERN = Pattern(0x1122334455667788)
WHOLE = PATTERN.bytes_at(0, 5 << 20)


@given(st.integers(0, 4 << 20), st.integers(0, 1 << 20))
def test_any_piece_is_the_same_whatever_it_is_cut_from(address: int, length: int):
    assert PATTERN.bytes_at(address, length) == WHOLE[address : address + length]


def test_every_page_begins_with_words_and_no_two_are_alike():
    pages = [bytes(WHOLE[at : at + PAGE]) for at in range(0, len(WHOLE), PAGE)]
    assert all(page.startswith(WORDS) for page in pages)
    assert WORDS.decode("ascii").isascii()
    assert len(set(pages)) == len(pages)


def test_another_seed_is_another_pattern():
    other = Pattern(1).bytes_at(0, PAGE)
    tally = Tally()
    PATTERN.compare(0, other, tally)
    assert (tally.changed, tally.wrong) == (1, 1)


@given(st.integers(0, 1000), st.integers(1, 20), st.integers(1, 1000))
def test_what_was_written_elsewhere_is_told_with_its_distance(page: int, count: int, further: int):
    tally = Tally()
    PATTERN.compare(page * PAGE, Pattern(PATTERN.seed).bytes_at((page + further) * PAGE, count * PAGE), tally)
    assert (tally.elsewhere, tally.right, tally.empty, tally.changed) == (count, 0, 0, 0)
    assert (tally.distance, tally.first_at) == (further * PAGE, page * PAGE)


@pytest.mark.parametrize("fill", [0x00, 0xFF])
def test_empty_pages_are_told_from_damaged_ones(fill: int):
    data = PATTERN.bytes_at(0, 4 * PAGE)
    data[PAGE : 2 * PAGE] = bytes([fill]) * PAGE
    data[2 * PAGE + 100] ^= 1
    tally = Tally()
    PATTERN.compare(0, data, tally)
    assert (tally.right, tally.empty, tally.changed, tally.elsewhere) == (2, 1, 1, 0)
    assert (tally.first_at, tally.first_wrong) == (PAGE, bytes([fill]) * PAGE)


@given(st.integers(0, 8 * (PAGE - 1)))
def test_a_single_bit_anywhere_is_damage_and_never_wrap_around(bit: int):
    data = PATTERN.bytes_at(PAGE, PAGE)
    data[bit // 8] ^= 1 << bit % 8
    tally = Tally()
    PATTERN.compare(PAGE, memoryview(data), tally)
    assert (tally.changed, tally.elsewhere, tally.right) == (1, 0, 0)


@given(st.binary(max_size=3 * PAGE))
def test_anything_at_all_can_be_compared(data: bytes):
    tally = Tally()
    PATTERN.compare(7 * PAGE, data, tally)
    assert tally.right + tally.wrong == -(-len(data) // PAGE)
