"""Whether the flight computer started anew while the tap listened, most often because the port was opened."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from preflight.checks.sample_faults import wraps
from preflight.checks.talk import is_noise, shown
from preflight.checks.tap import Capture
from preflight.config.flight import SampleField

GAP = 1.5
"""Seconds of silence after opening from which on it was a start. Common practice, no source."""

_FIRST = (0.0, 1.0)  # where counters begin


def restart_seen(fields: Sequence[SampleField], heard: Capture) -> str:
    """From what it shows that the sender started anew: banner, counter, gap; "" if nothing shows it."""
    if not heard.samples:
        return ""
    counter = next((field.name for field in fields if field.role == "counter"), None)
    counts = [
        value
        for sample in heard.samples
        if counter is not None and isinstance(value := sample.values.get(counter), float)
    ]
    for before, after in itertools.pairwise(counts):
        if after < before and not wraps(before, after, 1.0):
            return f"the counter went from {before:.10g} back to {after:.10g}"
    signs = []
    if len(counts) > 1 and counts[0] in _FIRST and counts[1] > counts[0]:
        signs.append(f"the counter began at {counts[0]:.10g} when the port was opened")
    if _gap(heard):
        signs.append(f"nothing came for {heard.first:.1f} s after the port was opened")
    banner = _banner(heard)
    if banner and (signs or not counts):
        signs.append(f"a start-up message came: {shown(banner)}")
    return ", ".join(signs)


def _gap(heard: Capture) -> bool:
    if heard.first is None or heard.first < GAP or len(heard.times) < 4:
        return False
    gaps = sorted(after - before for before, after in itertools.pairwise(heard.times))
    # A sender that also pauses later did not start anew: it pauses.
    return heard.first > 3 * gaps[len(gaps) // 2] and heard.first > 2 * gaps[-1]


def _banner(heard: Capture) -> bytes:
    """Whole lines of text before the first sample, where no such line comes later."""
    lines = heard.data[: heard.samples[0].at_offset].splitlines(keepends=True)[1:]
    text = b"".join(lines)
    return text if lines and heard.undecoded <= len(lines) and len(text) >= 4 and not is_noise(text) else b""
