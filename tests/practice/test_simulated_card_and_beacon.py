"""What the simulated logger writes to its card, and what is heard of the simulated beacon."""

from __future__ import annotations

import itertools
import math

import pytest
from serial_ends import wait_until

from preflight.practice.logger import JAMMED, START, SYNC, LoggersCard
from preflight.practice.payload import Ground
from preflight.practice.simulate import SimulatedPayload


def lines(card):
    return [line for name in sorted(card.folder.glob("*")) for line in name.read_bytes().splitlines()]


def logged(folder, faults, *, count=400, step=0.1, cut=None):
    """The numbers on the card of `count` samples; the power is pulled for a while before number `cut`."""
    card = LoggersCard(folder / "card", 0.0)
    for n in range(count):
        if n == cut:
            card.power_off()
            card.power_on(n * step)
        card.take(b"%d\r\n" % n, n * step, faults)
    card.sync(count * step)
    return [int(line) for line in lines(card) if line.isdigit()], card


def test_a_sound_logger_writes_everything_and_a_new_file_after_a_power_cut(tmp_path):
    assert logged(tmp_path, {})[0] == list(range(400))
    (tmp_path / "b").mkdir()
    found, card = logged(tmp_path / "b", {}, cut=200)
    assert sorted(file.name for file in card.folder.iterdir()) == ["LOG001.CSV", "LOG002.CSV"]
    lost = sorted(set(range(400)) - set(found))
    assert lost[0] >= 200 - SYNC / 0.1 - 1
    assert lost[-1] <= 200 + math.ceil(START / 0.1)


@pytest.mark.parametrize(
    ("faults", "lost"),
    [
        ({"log-jammed": "10"}, lambda n: (n * 0.1) % 10 < JAMMED),
        ({"log-unflushed": "7"}, lambda n: 140 < n < 200 or 200 <= n <= 204),
        ({"log-no-restart": ""}, lambda n: n >= 195),
    ],
)
def test_each_fault_loses_what_it_says(tmp_path, faults, lost):
    found, _ = logged(tmp_path, faults, cut=None if "log-jammed" in faults else 200)
    missing = set(range(400)) - set(found)
    assert missing
    assert missing <= {n for n in range(400) if lost(n)}


def test_losing_and_damaging_hit_some(tmp_path):
    found, _ = logged(tmp_path, {"log-losing": "20"})
    assert 350 < len(found) < 399
    assert len({b - a for a, b in itertools.pairwise(found)}) > 1
    (tmp_path / "b").mkdir()
    found, card = logged(tmp_path / "b", {"log-damaging": "20"})
    assert len(found) < 399
    assert any(b"\x10\xff" in line for line in lines(card))


def test_a_payload_without_power_is_silent_and_counts_anew(tmp_path):
    with SimulatedPayload(tmp_path, rate=50, beacon=0.2) as payload:
        wait_until(payload.card_files)
        payload.plant(["power-off"])
        before = payload.card_files()
        with open(payload.heard) as heard:
            heard.read()
            payload.plant([])
            wait_until(lambda: "SIM-7 -43.93000, 171.62000, 212 m" in heard.read())
        wait_until(lambda: len(payload.card_files()) == 2)
        after = payload.card_files()
        assert after["LOG001.CSV"] == before["LOG001.CSV"]
        assert int(after["LOG002.CSV"].split(b",")[0]) < 50


def test_a_beacon_that_is_silent_or_old(tmp_path):
    with SimulatedPayload(tmp_path, rate=5, beacon=0.1, ground=Ground(latitude=1.0)) as payload:

        def heard():
            with open(payload.heard) as file:
                return [line for line in file.read().splitlines() if "SIM-7" in line]

        wait_until(lambda: len(heard()) >= 2)
        assert "SIM-7 1.00000, 171.62000" in heard()[0]
        payload.plant(["beacon-old"])
        count = len(heard())
        wait_until(lambda: len(heard()) >= count + 3)
        assert len(set(heard()[count + 1 :])) == 1
        payload.plant(["beacon-silent"])
        count = len(heard())
        wait_until(lambda: payload.status()["faults"] == {"beacon-silent": ""})
        assert len(heard()) <= count + 1
