"""A board on a pseudo-terminal that notices when its port is opened, as one with its reset on DTR does."""

from __future__ import annotations

import os
import select
import termios
from collections.abc import Callable

from serial_ends import FarEnd


class Board(FarEnd):
    """Starts anew when its port is opened at another speed than a new terminal has (38400 baud).

    `boot` seconds later it says `banner`, then sends `sample(n)` for n from 0 every `every` seconds (where it
    is given) and answers what it hears by `answer`.
    """

    def __init__(
        self,
        *,
        boot: float = 0.0,
        banner: bytes = b"",
        sample: Callable[[int], bytes] | None = None,
        every: float = 0.05,
        answer: Callable[[FarEnd, bytes], None] = lambda *_: None,
    ) -> None:
        super().__init__(answer)
        self.boot, self.banner, self.sample, self.every = boot, banner, sample, every
        self.count = 0
        self._before = self._speed()

    def _speed(self) -> int:
        return termios.tcgetattr(self._slave)[5]

    def _run(self) -> None:
        while not self.over and self._speed() == self._before:
            self.pause(0.005)
        self.pause(self.boot)
        if not self.over:
            self.send(self.banner)
        while not self.over:
            if self.sample is not None:
                self.send(self.sample(self.count))
                self.count += 1
            ready, _, _ = select.select([self.master], [], [], self.every)
            if ready:
                data = os.read(self.master, 1024)
                self.heard += data
                self._answer(self, data)
                self.pause(self.every if self.sample is not None else 0)
