"""What a command says while it works for longer than a moment: on a terminal, on one line of stderr."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

AFTER = 1.0
"""Seconds of work without a word."""
EVERY = 1.0


@contextmanager
def working(what: str, *, out: TextIO | None = None, after: float = AFTER) -> Iterator[None]:
    """While the block runs, say `what` and how long it has taken; nothing of it is left on the screen.

    A file or a pipe is told nothing. Ctrl-C stops the work as ever.
    """
    stream = sys.stderr if out is None else out
    if not stream.isatty():
        yield
        return
    over = threading.Event()
    width = 0

    def tell() -> None:
        nonlocal width
        began = time.monotonic()
        wait = after
        while not over.wait(wait):
            text = f"{what}, {time.monotonic() - began:.0f} s; Ctrl-C stops it"
            stream.write(f"\r{text}")
            stream.flush()
            width = max(width, len(text))
            wait = EVERY

    teller = threading.Thread(target=tell, name="working", daemon=True)
    teller.start()
    try:
        yield
    finally:
        over.set()
        teller.join()
        if width:
            stream.write(f"\r{'':<{width}}\r")
            stream.flush()
