"""Opening 200 steps with a record of 5,000 entries in a real terminal, against 20 steps with none.

Run: python tests/tui/bench_opening.py [ROUNDS]. Prints medians and their ratio: from the start of the process
to the first paint, to the arrival with what can be gone on with, and from Enter there to the walk: pressed as
soon as a key is unlocked, and UNHURRIED seconds later, as by somebody who reads first.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from bench_replay import long_record
from small_flight import PASSPHRASE
from terminals import Bare, walk_words

from preflight.record.folder import read
from preflight.walk.opening import Sources


def lay_out(root: Path, entries: int, steps: int) -> dict[str, str]:
    """A folder to walk in; the environment that goes with it. A record that nobody acted in is taken away."""
    root.mkdir()
    record = long_record(root, entries, steps)
    sources = Sources.kept(read(record))
    (root / "flight.toml").write_bytes(sources.flight)
    (root / "checklist.toml").write_bytes(sources.checklist)
    (root / "allowed_signers").write_bytes(sources.roster)
    if entries <= 2:
        shutil.rmtree(root / "logs")
    data = root / "data" / "preflight"
    data.mkdir(parents=True)
    (data / "keys").symlink_to(root / "keys")
    homes = {f"XDG_{name}_HOME": str(root / name.lower()) for name in ("STATE", "CONFIG", "DATA")}
    return homes | {"TERM": "xterm-256color", "COLORTERM": "truecolor"}


UNHURRIED = 2.0
WHAT = ("first paint", "arrival", "from Enter to the walk", "from an unhurried Enter")


def times(root: Path, env: dict[str, str], wait: float = 0.0) -> tuple[float, float, float]:
    """Seconds to the first paint, to the arrival, and from Enter to the walk."""
    made = Bare(walk_words(f"{root}/flight.toml"), env)
    try:
        made.until(lambda: b"Opening flight.toml" in made.seen, "the first paint")
        paint = time.perf_counter() - made.began
        made.until(lambda: b"Begin a new record" in made.seen, "the arrival")
        arrival = time.perf_counter() - made.began
        made.send("1")
        made.until(lambda: b"passphrase" in made.seen, "the question")
        made.send(PASSPHRASE + "\r")
        made.until(lambda: "1 ▸".encode() in made.seen, "the key")
        made.until_quiet()
        time.sleep(wait)
        start = time.perf_counter()
        made.send("\r")
        made.until(lambda: b"before:" in made.seen, "the walk")
        return paint, arrival, time.perf_counter() - start
    finally:
        made.close()


def main(rounds: int) -> None:
    """Both, in turn."""
    with tempfile.TemporaryDirectory() as folder:
        sizes = {"long": (5000, 200), "short": (2, 20)}
        taken: dict[str, list[tuple[float, ...]]] = {name: [] for name in sizes}
        envs = {name: lay_out(Path(folder) / name, *size) for name, size in sizes.items()}
        for name in sizes:
            shutil.copytree(Path(folder) / name, Path(folder) / f"{name}-kept", symlinks=True)
        for _ in range(rounds):
            for name, env in envs.items():
                rounds_times: tuple[float, ...] = ()
                for wait in (0.0, UNHURRIED):
                    # Going on writes an entry: every round begins from the same files.
                    shutil.rmtree(Path(folder) / name)
                    shutil.copytree(Path(folder) / f"{name}-kept", Path(folder) / name, symlinks=True)
                    got = times(Path(folder) / name, env, wait)
                    rounds_times = (*rounds_times, got[2]) if rounds_times else got
                taken[name].append(rounds_times)
        long, short = taken.values()
        for n, what in enumerate(WHAT):
            one, other = (statistics.median(each[n] for each in both) for both in (long, short))
            print(f"{what}: {one * 1e3:.0f} ms, {other * 1e3:.0f} ms, {one / other:.2f} times")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
