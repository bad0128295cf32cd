"""Recordings set against cards that lack some of them: what is lost, where and in which pattern."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from preflight.checks.log_compare import Loss, align, measure


def places_of(card):
    places = {}
    for place, key in enumerate(card):
        places.setdefault(key, []).append(place)
    return places


def key(n):
    return b"%d" % n


def compare(card, times, keys, *, cut=None, interval=None):
    return measure(times, align(keys, places_of(card)), cut=cut, interval=interval)


def longest(a, b):
    """The longest common subsequence's length, by the table of every textbook."""
    row = [0] * (len(b) + 1)
    for x in a:
        last = 0
        for j, y in enumerate(b, 1):
            last, row[j] = row[j], (last + 1 if x == y else max(row[j], row[j - 1]))
    return row[-1]


@given(recorded=st.lists(st.integers(0, 30), max_size=40), card=st.lists(st.integers(0, 30), max_size=60))
@settings(deadline=None)
def test_places_go_up_belong_to_their_samples_and_are_as_many_as_can_be(recorded, card):
    recorded, card = [key(n) for n in recorded], [key(n) for n in card]
    found = align(recorded, places_of(card))
    given_places = [place for place in found if place is not None]
    assert given_places == sorted(set(given_places))
    assert all(card[place] == recorded[n] for n, place in enumerate(found) if place is not None)
    if max(map(card.count, card), default=0) <= 8 and max(map(recorded.count, recorded), default=0) <= 8:
        assert len(given_places) == longest(recorded, card)


def test_samples_that_come_up_often_are_fitted_in_between_others():
    recorded = [key(n) if n % 10 == 0 else b"same" for n in range(100)]
    card = [b"older"] * 5 + [b"same"] * 50 + recorded[:33] + recorded[35:]
    found = align(recorded, places_of(card))
    assert [n for n, place in enumerate(found) if place is None] == [38, 39]


def test_without_any_sample_of_its_own_nothing_is_placed():
    assert align([b"same"] * 50, {b"same": list(range(50))}) == [None] * 50
    assert align([], {}) == []


def test_many_samples_are_aligned_quickly_in_little_memory():
    count = 100_000
    recorded = [key(n) for n in range(count)]
    card = [key(n) for n in range(-500, count + 500) if n % 997]
    found = align(recorded, places_of(card))
    assert sum(place is None for place in found) == len(range(0, count, 997))


TIMES = [n * 0.5 for n in range(400)]
KEYS = [key(n) for n in range(400)]


def test_all_there_is_none():
    found = compare(KEYS, TIMES, KEYS, interval=60.0)
    assert (found.recorded, found.found, found.lost, found.losses) == (400, 400, 0, ())
    assert (found.at_cut, found.at_end, found.resumed, found.after) == (None, 0.0, None, None)
    assert (found.pattern, found.longest_gap) == ("none", 0.5)


@pytest.mark.parametrize("drift", [0.0, 0.6, -1.0])
@pytest.mark.parametrize("first", [3.0, 17.0, 31.0])
def test_losses_at_the_beacons_interval_are_named(first, drift):
    sends = [first + k * (40 + drift) for k in range(5)]
    card = [key(n) for n, time in enumerate(TIMES) if not any(send <= time < send + 1.4 for send in sends)]
    found = compare(card, TIMES, KEYS, interval=40.0)
    assert found.pattern == "beacon interval"
    assert found.lost == 400 - len(card)
    assert len(found.losses) == 5
    assert 1.4 < found.longest_gap <= 2.0


def test_transmissions_in_bursts_count_as_one():
    lost = {k * 80 + n for k in range(5) for n in (3, 6, 7)}
    found = compare([key(n) for n in range(400) if n not in lost], TIMES, KEYS, interval=40.0)
    assert (found.pattern, found.lost, len(found.losses)) == ("beacon interval", 15, 10)


def test_other_regular_losses_tell_their_own_interval():
    lost = set(range(20, 400, 34))
    found = compare([key(n) for n in range(400) if n not in lost], TIMES, KEYS, interval=60.0)
    assert found.pattern == "regular"
    assert found.every == pytest.approx(17.0)


def test_a_single_gap_and_scattered_ones():
    found = compare([key(n) for n in range(400) if not 100 <= n < 140], TIMES, KEYS, interval=60.0)
    assert (found.pattern, found.lost, found.longest_gap) == ("single", 40, 20.5)
    assert found.losses == (Loss(50.0, 69.5, 40),)


def test_random_losses_are_seldom_taken_for_the_beacon():
    rng = random.Random(4)
    named = 0
    for _ in range(300):
        lost = set(rng.sample(range(400), 5))
        card = [key(n) for n in range(400) if n not in lost]
        named += compare(card, TIMES, KEYS, interval=40.0).pattern == "beacon interval"
    assert named <= 6


# The power is pulled after sample 199 and back with sample 200, ten seconds later.
CUT_TIMES = [time + (10 if n >= 200 else 0) for n, time in enumerate(TIMES)]
CUT = (CUT_TIMES[199], CUT_TIMES[200])


def test_a_power_cut_that_loses_the_last_seconds_and_the_start():
    card = [key(n) for n in range(400) if not 190 <= n < 206]
    found = compare(card, CUT_TIMES, KEYS, cut=CUT, interval=60.0)
    assert (found.lost, found.pattern) == (0, "none")
    assert found.at_cut == pytest.approx(5.0)
    assert (found.resumed, found.after) == (True, pytest.approx(3.0))
    assert found.longest_gap == 0.5, "the cut itself is no gap"


def test_nothing_after_the_cut():
    found = compare(KEYS[:195], CUT_TIMES, KEYS, cut=CUT, interval=60.0)
    assert (found.lost, found.resumed, found.after, found.at_end) == (0, False, None, 0.0)
    assert found.at_cut == pytest.approx(2.5)


def test_nothing_before_the_cut_and_an_end_that_is_missing():
    found = compare(KEYS[200:380], CUT_TIMES, KEYS, cut=CUT, interval=60.0)
    assert (found.lost, found.at_cut, found.resumed) == (200, None, True)
    assert found.at_end == pytest.approx(10.0)


def test_counters_that_begin_anew_after_the_cut_are_not_mixed_up():
    keys = [key(n) for n in range(200)] * 2
    card = [key(n) for n in range(150)] * 3 + keys[:198] + keys[203:]
    found = compare(card, CUT_TIMES, keys, cut=CUT, interval=60.0)
    assert (found.lost, found.resumed) == (0, True)
    assert found.at_cut == pytest.approx(1.0)
    assert found.after == pytest.approx(1.5)


def test_nothing_at_all():
    found = compare([], TIMES, KEYS)
    assert (found.found, found.lost, found.resumed) == (0, 400, None)
