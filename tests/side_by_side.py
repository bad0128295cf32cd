"""Runs that mostly wait are made side by side; each is looked at by a test of its own."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Generic, TypeVar

import msgspec

from preflight.checks.log_recording import Recording
from preflight.config.flight import Flight

Key = TypeVar("Key", bound=Hashable)
Made = TypeVar("Made")


for each in (Flight, Recording):
    # A type that is first met by several threads at once may crash the decoder.
    msgspec.json.Decoder(each)


class SideBySide(Generic[Key, Made]):
    """What each job made, by its name; one that failed fails the test that asks for it."""

    def __init__(self, jobs: Mapping[Key, Callable[[], Made]]) -> None:
        with ThreadPoolExecutor(len(jobs)) as pool:
            self._done: dict[Key, Future[Made]] = {name: pool.submit(job) for name, job in jobs.items()}

    def __getitem__(self, name: Key) -> Made:
        return self._done[name].result()
