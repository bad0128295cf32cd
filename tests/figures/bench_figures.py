"""Time of all figures of one flight, as a multiple of parsing its file with tomllib.

Run: python tests/figures/bench_figures.py [FLIGHT]. A ratio means the same on every machine; the aim is 20 at
most.
"""

from __future__ import annotations

import sys
import timeit
import tomllib
from pathlib import Path

from preflight.config.load import load_flight
from preflight.figures.compute import compute


def best(call: object, repeat: int = 15, number: int = 20) -> float:
    """Seconds of one call, the best of several rounds."""
    return min(timeit.repeat(call, repeat=repeat, number=number)) / number  # type: ignore[arg-type]


def main() -> None:
    here = Path(__file__).resolve().parents[2] / "checklists" / "flight.toml"
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else here
    text = path.read_text(encoding="utf-8")
    flight = load_flight(path)
    parse = best(lambda: tomllib.loads(text))
    figures = best(lambda: compute(flight, folder=path.parent))
    print(f"parse {parse * 1e3:.3f} ms, figures {figures * 1e3:.3f} ms, ratio {figures / parse:.2f} (aim 20)")


if __name__ == "__main__":
    main()
