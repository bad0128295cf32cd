"""A slow link: a command on a pseudo-terminal, each byte from and to this terminal passed on by itself.

Run: python tests/slow_link.py SECONDS COMMAND... A byte of the keyboard takes so many seconds; what is drawn
comes in pieces of a few bytes, so that no escape sequence arrives whole.
"""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import sys
import termios
import time
import tty

PIECE = 7


def main(delay: float, words: list[str]) -> int:
    """Relay until the command ends; its exit code."""
    size = fcntl.ioctl(0, termios.TIOCGWINSZ, bytes(8))
    pid, master = pty.fork()
    if not pid:
        fcntl.ioctl(0, termios.TIOCSWINSZ, size)
        os.execvp(words[0], words)
    fcntl.ioctl(master, termios.TIOCSWINSZ, size)
    tty.setraw(0)

    def resized(*_: object) -> None:
        fcntl.ioctl(master, termios.TIOCSWINSZ, fcntl.ioctl(0, termios.TIOCGWINSZ, bytes(8)))

    signal.signal(signal.SIGWINCH, resized)
    waiting = bytearray()
    due = 0.0
    while True:
        wait = max(0.0, due - time.monotonic()) if waiting else 1.0
        ready, _, _ = select.select([0, master], [], [], wait)
        if 0 in ready:
            if not waiting:
                due = time.monotonic() + delay
            waiting += os.read(0, 4096)
        if master in ready:
            try:
                drawn = os.read(master, 4096)
            except OSError:
                drawn = b""
            if not drawn:
                return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
            for at in range(0, len(drawn), PIECE):
                os.write(1, drawn[at : at + PIECE])
        if waiting and time.monotonic() >= due:
            os.write(master, waiting[:1])
            del waiting[:1]
            due = time.monotonic() + delay


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]), sys.argv[2:]))
