"""Lines of samples on a pseudo-terminal, made one after another, for checks that listen."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from serial_ends import FarEnd


@contextmanager
def sending(make: Callable[[int], bytes], rate: float = 40.0) -> Iterator[FarEnd]:
    """A far end that sends `make(n)` for n = 0, 1, 2 … `rate` times a second."""
    with FarEnd() as far:

        def send() -> None:
            n = 0
            while not far.over:
                far.send(make(n))
                n += 1
                far.pause(1 / rate)

        thread = threading.Thread(target=send, daemon=True)
        thread.start()
        try:
            yield far
        finally:
            far._ended.set()
            thread.join(5)
