"""The program in real terminals: one that keeps every byte it is sent; tmux, also over a slow link."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from screen_driving import Stage

DEADLINE = 20.0
PREFLIGHT = "import sys; from preflight.cli.main import main; main()"


def lay_out(made: Stage, folder: Path) -> dict[str, str]:
    """A stage's files and keys where the program looks for them; the environment that says so."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "flight.toml").write_text(made.flight, "utf-8")
    (folder / "checklist.toml").write_text(made.checklist, "utf-8")
    (folder / "allowed_signers").write_text(made.roster.to_text(), "utf-8")
    data = folder / "data" / "preflight"
    data.mkdir(parents=True)
    (data / "keys").symlink_to(made.keys)
    return {
        "XDG_DATA_HOME": str(folder / "data"),
        "XDG_STATE_HOME": str(folder / "state"),
        "XDG_CONFIG_HOME": str(folder / "config"),
        "TERM": "xterm-256color",
        "COLORTERM": "truecolor",
    }


class Bare:
    """A command on a pseudo-terminal that it controls; `seen` is all that it has written there."""

    def __init__(self, words: Sequence[str], env: dict[str, str], size: tuple[int, int] = (80, 24)) -> None:
        self.seen = b""
        self.began = time.perf_counter()
        self.pid, self.master = pty.fork()
        if not self.pid:
            for number in (signal.SIGHUP, signal.SIGINT, signal.SIGQUIT, signal.SIGTERM):
                signal.signal(number, signal.SIG_DFL)  # a job in the background inherits some ignored
            fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
            os.execvpe(words[0], list(words), os.environ | env)
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))

    def read(self, wait: float = 0.02) -> bytes:
        """What it has drawn since, waiting at most so long for the first of it."""
        got = b""
        while select.select([self.master], [], [], wait if not got else 0)[0]:
            try:
                part = os.read(self.master, 65536)
            except OSError:
                break
            if not part:
                break
            got += part
        self.seen += got
        return got

    def until(self, condition: Callable[[], object], what: str) -> None:
        """Read until something is so."""
        end = time.monotonic() + DEADLINE
        while not condition():
            self.read()
            assert time.monotonic() < end, f"{what} did not come; drawn last: {self.seen[-1500:]!r}"

    def until_quiet(self, spell: float = 0.3) -> bytes:
        """What is drawn until nothing has been for a spell."""
        got = b""
        while part := self.read(spell):
            got += part
        return got

    def send(self, data: bytes | str) -> None:
        """Bytes as a keyboard sends them."""
        os.write(self.master, data.encode() if isinstance(data, str) else data)

    def ended(self) -> int:
        """The exit code, once it has ended."""
        end = time.monotonic() + DEADLINE
        while True:
            self.read(0.01)
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.pid = 0
                return os.waitstatus_to_exitcode(status)
            assert time.monotonic() < end, "it did not end"

    def close(self) -> None:
        """End it, whatever it does."""
        if self.pid:
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
            self.pid = 0
        os.close(self.master)


class Tmux:
    """A session of a tmux server of its own, which is ended with the test; `presses` counts the keys."""

    def __init__(
        self, folder: Path, words: Sequence[str], env: dict[str, str], *, patience: float = DEADLINE
    ) -> None:
        self.presses = 0
        self.patience = patience
        self.server = f"measure-{os.getpid()}-{folder.name}"
        told = [item for name, value in env.items() for item in ("-e", f"{name}={value}")]
        self.tmux("new-session", "-d", "-x", "80", "-y", "24", "-s", "walk", *told, "-c", str(folder), *words)
        self.tmux("set-option", "-g", "remain-on-exit", "on")

    def tmux(self, *words: str) -> str:
        """One command of tmux; what it prints."""
        done = subprocess.run(
            ["tmux", "-L", self.server, "-f", "/dev/null", *words],
            capture_output=True,
            text=True,
            check=False,
        )
        return done.stdout

    def text(self) -> str:
        """What stands on the screen."""
        return self.tmux("capture-pane", "-p", "-t", "walk")

    def press(self, *keys: str) -> None:
        """Keys by tmux's names."""
        self.presses += len(keys)
        self.tmux("send-keys", "-t", "walk", *keys)

    def type(self, text: str) -> None:
        """Characters as they are."""
        self.presses += len(text)
        if text:
            self.tmux("send-keys", "-t", "walk", "-l", text)

    def raw(self, data: bytes) -> None:
        """Bytes as they are."""
        self.tmux("send-keys", "-t", "walk", "-H", *(f"{byte:02x}" for byte in data))

    def resize(self, width: int, height: int) -> None:
        """Another size of the window."""
        self.tmux("resize-window", "-t", "walk", "-x", str(width), "-y", str(height))

    def until(self, condition: Callable[[str], object], what: str) -> str:
        """The screen once a condition holds of it."""
        end = time.monotonic() + self.patience
        while not condition(text := self.text()):
            assert time.monotonic() < end, f"waited in vain for {what}\n{text}"
            time.sleep(0.03)  # between two looks at another process's screen
        return text

    def pid(self) -> int:
        """The process in the pane."""
        return int(self.tmux("display-message", "-p", "-t", "walk", "#{pane_pid}") or 0)

    def close(self) -> None:
        """End the server."""
        self.tmux("kill-server")


def walk_words(flight: str = "flight.toml") -> list[str]:
    """The command that walks a flight."""
    return [sys.executable, "-c", PREFLIGHT, "walk", flight]


def slow_words(words: Sequence[str], delay: float) -> list[str]:
    """A command behind a slow link."""
    return [sys.executable, str(Path(__file__).parent / "slow_link.py"), f"{delay}", *words]


# What the screen library and this tool may send: cursor, colours, modes, title, queries; nothing else.
OWN = re.compile(
    rb"\x1b\[[0-9;:]*[HfmABCDJKr]"
    rb"|\x1b\[\?[0-9;]+(?:[hlu]|\$p)"
    rb"|\x1b\[[<>=?]?[0-9;]*[uncqt]"
    rb"|\x1b\[[0-9]* q"
    rb"|\x1b\]2;preflight\x07|\x1b\]22;[a-z-]+\x07"
    rb"|\x1b[78=>]|\x1bP\+q[0-9A-Fa-f;]*\x1b\\\\"
)


def foreign(seen: bytes) -> list[bytes]:
    """Controls in what was written that are not the screen's own."""
    text = OWN.sub(b"", seen).decode("utf-8", "replace")
    bad = [c for c in text if (ord(c) < 0x20 and c not in "\r\n\a\t") or 0x7F <= ord(c) < 0xA0]
    bad += [c for c in text if c in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f"]
    return [c.encode("utf-8", "replace") for c in bad]
