"""The whole suite in two halves side by side: one mostly waits for serial lines, the other mostly computes.

`python tests/run.py` is as `pytest`, in half the time on two cores; words given go to both halves.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
WAITING = (
    *("checks", "devices", "practice"),
    *(f"tui/test_{name}.py" for name in ("pictures", "every_screen_stands_out")),
)
"""Tests that talk to simulated devices, and what evens out the halves; every other one computes."""


def main() -> int:
    """Run both halves, show what each printed, and close with how many passed; 0 if all did."""
    begun = time.monotonic()
    paths = [f"tests/{name}" for name in WAITING]
    halves = {"devices": paths, "the rest": ["tests", *(f"--ignore={path}" for path in paths)]}
    with tempfile.TemporaryFile("w+") as first, tempfile.TemporaryFile("w+") as second:
        running = {
            name: (
                subprocess.Popen(
                    [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *words, *sys.argv[1:]],
                    cwd=ROOT,
                    stdout=out,
                    stderr=subprocess.STDOUT,
                ),
                out,
            )
            for (name, words), out in zip(halves.items(), (first, second), strict=True)
        }
        codes = [process.wait() for process, _ in running.values()]
        counts = dict.fromkeys(("passed", "failed", "error", "skipped"), 0)
        for name, (_, out) in running.items():
            out.seek(0)
            told = out.read()
            print(f"-- {name} {'-' * 60}", told, sep="\n")
            closing = told.rstrip().rpartition("\n")[2]
            for number, word in re.findall(r"(\d+) (passed|failed|error|skipped)", closing):
                counts[word] += int(number)
    print(f"both halves in {time.monotonic() - begun:.0f} s")
    failed = counts["failed"] + counts["error"]
    print(f"{counts['passed']} passed, {failed} failed, {counts['skipped']} skipped")
    return max(codes)


if __name__ == "__main__":
    sys.exit(main())
