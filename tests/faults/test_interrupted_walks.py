"""A second writer, signals, a closed terminal, a suspended laptop: the record stays good and goes on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import pytest
from fault_walk import Following, last_of, lost_of, not_sealed
from small_flight import START, ToldClock

from preflight.errors import RecordError
from preflight.record.folder import read
from preflight.walk import opening
from preflight.walk.proof import prove

posix = pytest.mark.skipif(os.name != "posix", reason="signals and locks of POSIX")
SLOW = """
import signal, sys, time
for name in ("SIGHUP", "SIGINT", "SIGQUIT", "SIGTERM"):
    signal.signal(getattr(signal, name), signal.SIG_DFL)  # a job in the background inherits them ignored
sys.path.insert(0, {tests!r})
from pathlib import Path
from fault_walk import Following, Place
def tell(*row):
    print(*row, flush=True)
    time.sleep(0.01)
Following(Place(Path({root!r})), Path({logs!r}), told=tell).run()
"""


def walking(place, logs: Path, **more) -> subprocess.Popen[str]:
    """A process that walks, and prints what is kept; a hundredth of a second between acts."""
    code = SLOW.format(tests=str(Path(__file__).parents[1]), root=str(place.root), logs=str(logs))
    return subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, **more)


def told_by(lines: list[str]) -> list[tuple[str, int, str]]:
    rows = [line.split() for line in lines]
    return [(rec, int(number), what) for rec, number, what in rows]


@posix
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGINT", "SIGQUIT", "SIGKILL"])
def test_a_signal_leaves_a_record_that_goes_on(place, tmp_path, name, ran):
    process = walking(place, tmp_path, stderr=subprocess.DEVNULL)
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(12)]
    process.send_signal(getattr(signal, name))
    rest, _ = process.communicate(timeout=30)
    kept = told_by(lines + [line for line in rest.splitlines() if line.count(" ") == 2])
    assert process.returncode != 0
    assert lost_of(tmp_path, kept) == []
    assert prove(last_of(tmp_path)).found.state == "unsealed"
    Following(place, tmp_path, told=lambda *_: None).run()
    assert not_sealed(tmp_path) == []
    kinds = [entry.kind for path in tmp_path.iterdir() for entry in read(path).entries]
    assert kinds.count("resume") == 1
    ran(f"{name} in the middle of a walk: nothing acknowledged lost, resumed, sealed")


@posix
def test_a_closed_terminal_leaves_a_record_that_goes_on(place, tmp_path):
    """The walk is a session leader on a terminal of its own, and the terminal goes away."""
    master, slave = os.openpty()
    process = walking(place, tmp_path, stdin=slave, stderr=slave, start_new_session=True)
    os.close(slave)
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(12)]
    process.stdout.close()
    os.close(master)
    process.wait(timeout=30)
    assert lost_of(tmp_path, told_by(lines)) == []
    Following(place, tmp_path, told=lambda *_: None).run()
    assert not_sealed(tmp_path) == []


@posix
def test_a_stopped_process_goes_on_as_if_nothing_had_been(place, tmp_path):
    process = walking(place, tmp_path)
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(12)]
    process.send_signal(signal.SIGSTOP)
    while Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()[0] != "T":
        time.sleep(0.001)
    process.send_signal(signal.SIGCONT)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    assert lost_of(tmp_path, told_by(lines + rest.splitlines())) == []
    assert not_sealed(tmp_path) == []


@posix
def test_a_second_writer_is_refused_and_may_look(place, tmp_path, ran):
    process = walking(place, tmp_path)
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(8)]
    process.send_signal(signal.SIGSTOP)
    record = tmp_path / lines[0].split()[0]
    before = (record / "record.jsonl").read_bytes()
    following = Following(place, tmp_path, told=lambda *_: None)
    tries = 5
    for _ in range(tries):
        with pytest.raises(RecordError, match="is being written by another preflight"):
            opening.resume(record, keyring=following.keyring, clock=following.clock)
    assert len(read(record).entries) >= 8
    assert (record / "record.jsonl").read_bytes() == before
    process.send_signal(signal.SIGCONT)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    assert lost_of(tmp_path, told_by(lines + rest.splitlines())) == []
    assert not_sealed(tmp_path) == []
    ran(f"a second writer refused {tries} of {tries} times while the first one walked on")


class TestClocks:
    """A told clock: `at` is UTC, `running` the clock that goes on through suspend."""

    def walk(self, place, tmp_path):
        clock = ToldClock()
        following = Following(place, tmp_path, told=lambda *_: None, clock=clock)
        walk = opening.begin(tmp_path, place.sources, keyring=following.keyring, person="ines", clock=clock)
        walk.confirm("battery", "omar", "latched")
        return clock, following, walk

    @pytest.mark.parametrize("hours", [0.2, 7, 24 * 40])
    def test_a_suspended_laptop_wakes_later_and_both_clocks_say_so(self, place, tmp_path, hours):
        clock, following, walk = self.walk(place, tmp_path)
        clock.forward(hours=hours)
        walk.hold("the lid was closed", "omar")
        walk.recorder.close()
        following.run()
        assert not_sealed(tmp_path) == []
        for path in tmp_path.iterdir():
            assert [note for note in prove(path).found.warnings if "clock" in note] == []

    @pytest.mark.parametrize("jump", [timedelta(hours=-9), timedelta(seconds=-3), timedelta(hours=9)])
    def test_a_clock_that_is_set_while_it_slept_is_told_and_nothing_is_lost(self, place, tmp_path, jump, ran):
        clock, following, walk = self.walk(place, tmp_path)
        clock.forward(minutes=10)
        clock.at += jump
        walk.hold("the lid was closed", "omar")
        walk.recorder.close()
        clock.forward(minutes=1)
        clock.at -= jump
        following.run()
        assert not_sealed(tmp_path) == []
        notes = [note for path in tmp_path.iterdir() for note in prove(path).found.warnings]
        ways = ["back", "forward"] if jump < timedelta(0) else ["forward", "back"]
        told = [note for note in notes if "clock was set" in note]
        assert [any(f"set {way}" in note for note in told) for way in ways] == [True, True]
        ran(f"UTC set by {jump.total_seconds():g} s and back within a walk: told, every record sealed")

    def test_a_clock_set_back_makes_nothing_valid_for_longer(self, place, tmp_path):
        clock, following, walk = self.walk(place, tmp_path)
        walk.recorder.close()
        acts = following.acts()
        while next(acts) != "gust":
            pass
        walk = following.walk
        assert walk.state().steps["gust"].outcome == "go"
        clock.forward(minutes=31)
        clock.at -= timedelta(hours=2)
        assert walk.state().steps["gust"].outcome == "stale"
        walk.recorder.close()

    def test_a_restart_with_an_earlier_clock_goes_on(self, place, tmp_path):
        """An empty clock battery: another boot, and the year is wrong."""
        clock, following, walk = self.walk(place, tmp_path)
        walk.recorder.close()
        clock.boot, clock.running, clock.at = "second-boot", 5, START - timedelta(days=800)
        following.run()
        assert not_sealed(tmp_path) == []
        notes = [note for path in tmp_path.iterdir() for note in prove(path).found.warnings]
        assert any("after a restart the clock stood" in note for note in notes)
