"""How long `preflight --help` takes, as a multiple of importing click: whole processes, alternated.

Run: python tests/bench_startup.py
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROUNDS = 30
# Compiled modules are kept, as they are on any machine where the tool was installed.
ENVIRONMENT = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}


def seconds(command: list[str]) -> float:
    started = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=ENVIRONMENT)
    return time.perf_counter() - started


def main() -> None:
    script = str(Path(sys.executable).with_name("preflight"))
    ours, bare = [script, "--help"], [sys.executable, "-c", "import click"]
    for command in (ours, bare):
        seconds(command)
    pairs = [(seconds(ours), seconds(bare)) for _ in range(ROUNDS)]
    ratio = statistics.median(a for a, _ in pairs) / statistics.median(b for _, b in pairs)
    print(f"preflight --help / import click: {ratio:.2f} (medians of {ROUNDS} alternated runs)")


if __name__ == "__main__":
    main()
