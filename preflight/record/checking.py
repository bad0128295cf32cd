"""Signatures of a long record, checked on every processor at once.

A helper is a process of this module that says one thing only: that all it was given are valid. On anything
else, be it a signature that is not or a helper that died, whoever asked checks again, one by one and alone.
"""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable
from typing import NamedTuple

import msgspec

from preflight.record import sshsig

MOST_HELPERS = 7
_PART = 64
"""Claims handed over at once: about what a pipe holds, so that a helper neither waits nor has too much."""
_ALL_VALID = b"\1"
# -P: nothing is imported from the folder that this is started in, which may be the very one in question.
_COMMAND = ("-P", "-m", "preflight.record.checking")


class Claim(NamedTuple):
    """That `signature` (64 bytes) is the key's over `message`; `public` is the key's 32 bytes."""

    public: bytes
    namespace: str
    message: bytes
    signature: bytes


_decode = msgspec.msgpack.Decoder(list[Claim]).decode


def all_valid(claims: Iterable[Claim]) -> bool:
    """Whether every claim is true."""
    return all(
        sshsig.valid(sshsig.load_public(claim.public), claim.namespace, claim.message, claim.signature)
        for claim in claims
    )


def helpers_here() -> int:
    """How many helpers this machine has processors for, beside this process's own."""
    if not sys.executable or getattr(sys, "frozen", False):
        return 0  # no interpreter that could be started
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores - 1, MOST_HELPERS)


class Checking:
    """Claims checked while more come in; used in a `with`, which lets the helpers go."""

    def __init__(self, helpers: int) -> None:
        self._waiting: queue.SimpleQueue[list[Claim] | None] = queue.SimpleQueue()
        self._part: list[Claim] = []
        self._said: list[bytes] = []
        self._threads = [threading.Thread(target=self._feed) for _ in range(helpers)]
        for thread in self._threads:
            thread.start()

    def add(self, claim: Claim) -> None:
        """One more to check."""
        self._part.append(claim)
        if len(self._part) == _PART:
            self._waiting.put(self._part)
            self._part = []

    def all_valid(self, go_on: Callable[[], object] | None = None) -> bool:
        """Whether all that were added are true; what no helper has taken yet is checked here.

        `go_on` is called now and then; what it raises breaks it off.
        """
        good = all_valid(self._part)
        with contextlib.suppress(queue.Empty):
            while good and (part := self._waiting.get_nowait()) is not None:
                good = all_valid(part)
                if go_on is not None:
                    go_on()
        self._let_go()
        return good and self._said == [_ALL_VALID] * len(self._threads)

    def __enter__(self) -> Checking:
        return self

    def __exit__(self, *exc: object) -> None:
        self._let_go()

    def _let_go(self) -> None:
        with contextlib.suppress(queue.Empty):
            while True:
                self._waiting.get_nowait()
        for _ in self._threads:
            self._waiting.put(None)
        for thread in self._threads:
            thread.join()

    def _feed(self) -> None:
        # A helper that can't be started, or is gone, has said nothing: that is enough to know.
        with (
            contextlib.suppress(OSError),
            subprocess.Popen(  # noqa: S603 - this interpreter and this module
                [sys.executable, *_COMMAND],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            ) as helper,
        ):
            assert helper.stdin is not None
            assert helper.stdout is not None
            while (part := self._waiting.get()) is not None:
                data = msgspec.msgpack.encode(part)
                helper.stdin.write(len(data).to_bytes(8, "big") + data)
                helper.stdin.flush()
            helper.stdin.close()
            self._said.append(helper.stdout.read())


def main() -> None:
    """A helper: claims on standard input, one byte on standard output if all of them are true."""
    good = True
    while size := sys.stdin.buffer.read(8):
        good = all_valid(_decode(sys.stdin.buffer.read(int.from_bytes(size, "big")))) and good
    if good:
        sys.stdout.buffer.write(_ALL_VALID)


if __name__ == "__main__":
    main()
