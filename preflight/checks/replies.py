"""Judging what a device replied: its own echo told apart, regular expressions run under a time limit.

A pattern is the crew's, but the reply is whatever a device sends, and `re` can't be interrupted: one bad pair
would freeze the whole tool. So patterns run in a small child process that is ended when it takes too long.
"""

from __future__ import annotations

import contextlib
import json
import queue
import subprocess
import sys
import threading
from dataclasses import dataclass
from types import TracebackType

from preflight.clean import clean
from preflight.errors import DeviceError

REPLY_LIMIT = 4096
"""Bytes of a reply that are looked at: the latest ones, so that an answer after noise is still found."""

_CHILD = """
import json, re, sys
for line in sys.stdin:
    pattern, texts = json.loads(line)
    answer = None
    for text, start, end in texts:
        for match in re.finditer(pattern, text, re.MULTILINE):
            inside_echo = start <= match.start() and match.end() <= end
            if match.end() > match.start() and not inside_echo:
                rest = text[match.end() - 1:]
                answer = ["\\r" in rest or "\\n" in rest, match.groupdict()]
                break
        if answer:
            break
    print(json.dumps(answer), flush=True)
"""


class TooSlowError(Exception):
    """A pattern took longer on a reply than it was given."""


@dataclass(frozen=True, slots=True)
class Match:
    """A pattern found in a reply: its named groups, and whether the line it ends in has come to its end."""

    groups: dict[str, str | None]
    line_ended: bool


def echo_span(sent: str, heard: str) -> tuple[int, int]:
    """Where in `heard` our own `sent` came back, as (start, end); (0, 0) if it did not.

    An echo whose line end was changed or whose rest is still to come counts too.
    """
    if not sent:
        return 0, 0
    start = heard.find(sent)
    if start >= 0:
        return start, start + len(sent)
    core = sent.rstrip("\r\n")
    start = len(heard) - len(heard.lstrip("\r\n\0 "))
    end = start + len(core)
    if core and heard.startswith(core, start) and heard[end : end + 1] in ("", "\r", "\n"):
        return start, end
    for length in range(min(len(sent) - 1, len(heard)), 0, -1):
        if heard.endswith(sent[:length]):
            whole = not heard[:-length].strip("\r\n\0 ")
            return (len(heard) - length, len(heard)) if length > 1 or whole else (0, 0)
    return 0, 0


def only_echo(sent: bytes, heard: bytes) -> bool:
    """Whether nothing but our own bytes (and line ends) came back."""
    sent_text, text = sent.decode("latin-1"), heard.decode("latin-1")
    start, end = echo_span(sent_text, text)
    return end > start and not (text[:start] + text[end:]).strip("\r\n\0 ")


class Matcher:
    """Runs patterns in a child process; a context manager that ends it."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[str] | None = None
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()

    def __enter__(self) -> Matcher:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()

    def search(self, pattern: str, sent: bytes, heard: bytes, *, within: float) -> Match | None:
        """Find `pattern` (with re.MULTILINE) in the latest REPLY_LIMIT bytes of `heard`.

        A match that lies inside the echo of `sent`, or an empty one, is no answer. Bytes are read as UTF-8,
        then, where that does not match, one by one. Raises TooSlowError after `within` seconds, DeviceError
        if no child process can be had.
        """
        heard = heard[-REPLY_LIMIT:]
        texts = []
        for encoding in ("utf-8",) if heard.isascii() and sent.isascii() else ("utf-8", "latin-1"):
            text = heard.decode(encoding, "replace")
            texts.append((text, *echo_span(sent.decode(encoding, "replace"), text)))
        self.start()
        assert self._child is not None
        assert self._child.stdin is not None
        try:
            self._child.stdin.write(json.dumps([pattern, texts]) + "\n")
            self._child.stdin.flush()
            answer = self._answers.get(timeout=within)
        except (queue.Empty, OSError) as error:
            self.end()
            raise TooSlowError from error
        found = json.loads(answer)
        return None if found is None else Match(line_ended=found[0], groups=found[1])

    def start(self) -> None:
        """Start the child ahead of the first search; `search` starts it too."""
        if self._child is not None:
            return
        try:
            self._child = subprocess.Popen(  # noqa: S603 - our own interpreter and our own text
                [sys.executable, "-I", "-S", "-c", _CHILD],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
            )
        except OSError as error:
            raise DeviceError(
                f"Replies can't be judged: no child process could be started ({clean(str(error), limit=100)})"
            ) from error
        self._answers = queue.SimpleQueue()
        self._reader = threading.Thread(target=_read, args=(self._child, self._answers), daemon=True)
        self._reader.start()

    def end(self) -> None:
        """End the child, whatever it is doing."""
        child, self._child = self._child, None
        if child is None:
            return
        child.kill()
        child.wait()
        self._reader.join()
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                # What was still to be written to a child that has gone fails when the pipe is closed.
                with contextlib.suppress(OSError):
                    pipe.close()


def _read(child: subprocess.Popen[str], answers: queue.SimpleQueue[str]) -> None:
    assert child.stdout is not None
    for line in child.stdout:
        answers.put(line)
