"""The whole suite in three parts side by side; much of it waits, for serial lines and for screens.

`python tests/run.py` is as `pytest`, in less than half the time on two cores; words given go to every part.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PARTS = {"devices": ("checks", "devices", "practice"), "screens": ("tui",)}
"""Folders of tests that are a part of their own; every other one is in the last part."""


def main() -> int:
    """Run all parts, show what each printed, and close with how many passed; 0 if all did."""
    begun = time.monotonic()
    parts = {part: [f"tests/{folder}" for folder in folders] for part, folders in PARTS.items()}
    parts["the rest"] = ["tests", *(f"--ignore={path}" for paths in parts.values() for path in paths)]
    with contextlib.ExitStack() as files:
        outs = [files.enter_context(tempfile.TemporaryFile("w+")) for _ in parts]
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
            for (name, words), out in zip(parts.items(), outs, strict=True)
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
    print(f"all parts in {time.monotonic() - begun:.0f} s")
    failed = counts["failed"] + counts["error"]
    print(f"{counts['passed']} passed, {failed} failed, {counts['skipped']} skipped")
    return max(codes)


if __name__ == "__main__":
    sys.exit(main())
