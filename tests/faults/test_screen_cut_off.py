"""The walk on a real terminal, ended by signals and by the terminal going away: the record is good."""

from __future__ import annotations

import errno
import fcntl
import os
import pty
import resource
import select
import signal
import struct
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fault_walk import Following, Place, last_of, not_sealed
from small_flight import PASSPHRASE

from preflight.record.folder import read
from preflight.walk.proof import prove

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
PREFLIGHT = "import sys; from preflight.cli.main import main; main()"
DEADLINE = 60.0


class Screen:
    """`preflight walk` on a pseudo-terminal of 80 by 24 that it controls."""

    def __init__(self, place: Place, folder: Path, *, again: bool = False, code: str = PREFLIGHT) -> None:
        if not again:
            self._prepare(place, folder)
        self.logs = folder / "logs"
        self.seen = b""
        self.pid, self.master = pty.fork()
        if not self.pid:
            env = os.environ | {"XDG_DATA_HOME": str(folder / "data"), "TERM": "xterm-256color"}
            for number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT, signal.SIGTERM):
                signal.signal(number, signal.SIG_DFL)  # a job in the background inherits some ignored
            env |= {"XDG_STATE_HOME": str(folder / "state")}
            words = [sys.executable, "-c", code, "walk", str(folder / "flight.toml")]
            os.execve(sys.executable, words, env)
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))

    def _prepare(self, place: Place, folder: Path) -> None:
        (folder / "flight.toml").write_bytes(place.sources.flight)
        (folder / "checklist.toml").write_bytes(place.sources.checklist)
        (folder / "allowed_signers").write_bytes(place.sources.roster)
        keys = folder / "data" / "preflight"
        keys.mkdir(parents=True)
        (keys / "keys").symlink_to(place.keys)

    def read(self, wait: float = 0.02) -> None:
        """What it has drawn since."""
        while self.master >= 0 and select.select([self.master], [], [], wait)[0]:
            try:
                part = os.read(self.master, 65536)
            except OSError:
                return
            if not part:
                return
            self.seen += part

    def until(self, condition: Callable[[], object], what: str) -> None:
        """Wait for something to be so."""
        end = time.monotonic() + DEADLINE
        while not condition():
            self.read()
            assert time.monotonic() < end, f"{what} did not come; drawn last: {self.seen[-1500:]!r}"

    def press(self, keys: str) -> None:
        """Keys, one after the other as a person would."""
        for key in keys:
            os.write(self.master, key.encode())
            self.read(0.03)

    def shows(self, text: str) -> bool:
        return text.encode() in self.seen

    def lines(self) -> int:
        return sum(len(p.read_bytes().splitlines()) for p in self.logs.glob("*/record.jsonl"))

    def ended(self) -> int:
        """The exit code, once it has ended."""
        end = time.monotonic() + DEADLINE
        while True:
            self.read()
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.pid = 0
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.01)
            assert time.monotonic() < end, "it did not end"

    def shut(self) -> None:
        if self.pid:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
        if self.master >= 0:
            os.close(self.master)


@pytest.fixture
def screen(place, tmp_path) -> Iterator[Screen]:
    made = Screen(place, tmp_path)
    yield made
    made.shut()


def unlock(screen: Screen, number: str, name: str) -> None:
    """Choose a person and give the passphrase; afterwards they are the one who is chosen."""
    screen.seen = b""
    screen.press(number)
    screen.until(lambda: screen.shows("assphrase"), "the question for a passphrase")
    screen.seen = b""
    os.write(screen.master, PASSPHRASE.encode())
    screen.press("\r")
    screen.until(lambda: screen.shows(f"▸{name}"), "the person")


def begin(screen: Screen) -> None:
    """A record begun by ines."""
    screen.until(lambda: screen.shows("Begin a new record"), "the first screen")
    unlock(screen, "1", "Ines")
    screen.press("\r")
    screen.until(lambda: screen.lines() == 1, "the record")
    screen.until(lambda: screen.shows("Battery lead"), "the first step")


def walk_a_little(screen: Screen) -> None:
    """A record begun by ines, and the first step signed by omar."""
    begin(screen)
    unlock(screen, "2", "Omar")
    screen.press("\r")
    screen.until(lambda: screen.lines() == 2, "the first signed step")


def goes_on(place: Place, logs: Path) -> None:
    """The record is as it was, is taken up, and ends sealed."""
    record = last_of(logs)
    assert record is not None
    found = prove(record).found
    assert (found.state, found.first_bad) == ("unsealed", None)
    assert [entry.kind for entry in read(record).entries] == ["open", "confirm"]
    Following(place, logs, told=lambda *_: None).run()
    assert not_sealed(logs) == []


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGKILL"])
def test_a_signal_at_the_screen(screen, place, name, ran):
    number = getattr(signal, name)
    walk_a_little(screen)
    screen.seen = b""
    os.kill(screen.pid, number)
    code = screen.ended()
    assert code == (-number if name == "SIGKILL" else 128 + number)
    assert b"Traceback" not in screen.seen
    assert PASSPHRASE.encode() not in screen.seen
    if name != "SIGKILL":
        assert b"\x1b[?1049l" in screen.seen  # the terminal is given back as it was
    goes_on(place, screen.logs)
    ran(f"{name} at the screen of preflight walk: the record is good and goes on")


def test_the_terminal_goes_away(screen, place, ran):
    walk_a_little(screen)
    os.close(screen.master)
    screen.master = -1
    screen.ended()
    goes_on(place, screen.logs)
    ran("terminal closed under the screen of preflight walk: the record is good and goes on")


def test_a_second_screen_is_refused_the_record_and_loses_nothing(screen, place, tmp_path, ran):
    walk_a_little(screen)
    record = last_of(screen.logs)
    assert record is not None
    before = (record / "record.jsonl").read_bytes()
    other = Screen(place, tmp_path, again=True)
    try:
        other.until(lambda: other.shows("Go on with"), "the record to go on with")
        unlock(other, "1", "Ines")
        other.press("\r")
        other.until(lambda: other.shows("another preflight"), "the refusal")
    finally:
        other.shut()
    assert (record / "record.jsonl").read_bytes() == before
    ran("a second screen on the same record: refused, nothing written")


@pytest.mark.skipif(not hasattr(resource, "prlimit"), reason="limits another process: Linux")
def test_storage_trouble_is_told_at_once_and_the_record_goes_on_elsewhere(screen, place, tmp_path, ran):
    """The system lets no file of the process grow on: a real short count, then a refusal."""
    begin(screen)
    unlock(screen, "2", "Omar")
    (record,) = screen.logs.iterdir()
    whole = (record / "record.jsonl").read_bytes()
    limit = resource.prlimit(screen.pid, resource.RLIMIT_FSIZE, (len(whole) + 100, resource.RLIM_INFINITY))
    screen.seen = b""
    screen.press("\r")
    screen.until(lambda: screen.shows("The record stopped"), "the crew being told")
    assert screen.shows(os.strerror(errno.EFBIG))
    kept = (record / "record.jsonl").read_bytes()
    assert kept.startswith(whole)
    assert len(kept) == len(whole) + 100
    resource.prlimit(screen.pid, resource.RLIMIT_FSIZE, limit)
    other = tmp_path / "other"
    screen.until(lambda: screen.shows("folder for records"), "the question for a folder")
    screen.press(str(other) + "\r2\r")
    screen.until(
        lambda: last_of(other) is not None and last_of(other).name != record.name, "the other record"
    )
    following = last_of(other)
    assert [entry.kind for entry in read(following).entries] == ["open"]
    assert (record / "record.jsonl").read_bytes() == kept
    screen.until(lambda: screen.shows("Battery lead"), "the step, open again")
    screen.press("2\r")
    screen.until(lambda: len(read(following).entries) == 2, "the step, signed")
    os.kill(screen.pid, signal.SIGTERM)
    screen.ended()
    assert prove(following).found.state == "unsealed"
    Following(place, other, told=lambda *_: None).run()
    assert not_sealed(other) == [f"{record.name}: unsealed, the record is not closed"]
    ran("a write refused under the screen: told at once, nothing shown as signed, went on in another folder")


BROKEN = """
from preflight.record.keys import Keyring
def broken(self, person_id, passphrase):
    here = passphrase + person_id
    raise RuntimeError("broken")
Keyring.open = broken
"""


def test_a_defect_with_a_passphrase_at_hand_shows_none(place, tmp_path):
    screen = Screen(place, tmp_path, code=BROKEN + PREFLIGHT)
    try:
        screen.until(lambda: screen.shows("Begin a new record"), "the first screen")
        screen.press("1")
        screen.until(lambda: screen.shows("assphrase"), "the question for a passphrase")
        os.write(screen.master, PASSPHRASE.encode())
        screen.press("\r")
        assert screen.ended() == 70
        told = screen.seen + b"".join(path.read_bytes() for path in (tmp_path / "state").rglob("*.log"))
    finally:
        screen.shut()
    assert b"a defect of this tool: RuntimeError" in told
    assert b"RuntimeError: broken" in told
    assert PASSPHRASE.encode() not in told
