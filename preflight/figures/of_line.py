"""The figures of the serial line."""

from __future__ import annotations

import math

from preflight.config.flight import Link
from preflight.figures import serial_line
from preflight.figures.sheet import Sheet
from preflight.readings import Reading


def line_figures(sheet: Sheet) -> None:
    """Adds sample.* and link.*; nothing where [sample] or [link] is absent."""
    flight, feed = sheet.flight, sheet.feed
    sample, link = flight.sample, flight.link
    rate = length = None
    if sample is not None:
        rate = feed.larger("sample.rate", sample.rate)
        length = feed.larger("sample.length", sample.length)
        sheet.add("sample.length", length.value, source=length.source)
        sheet.add("sample.rate", rate.value, source=rate.source)
    if link is None:
        return
    framing = serial_line.Framing.parse(link.framing)
    capacity = serial_line.capacity(link.baud, framing)
    sheet.add("link.capacity", capacity)
    if rate is not None and length is not None:
        load = serial_line.load(rate.value, length.value)
        sheet.add("link.load", load)
        sheet.add("link.margin", capacity / load)
        sheet.mend(
            "link.margin",
            lambda r: _faster(r, load, framing, rate=rate.value, length=length.value, capacity=capacity),
        )
        stall = feed.larger("card.stall", link.stall * 1e3).value / 1e3
        pile = serial_line.stall_bytes(capacity, stall, rate.value, length.value)
        sheet.add("link.stall_bytes", pile)
        sheet.add("link.stall_margin", link.buffer / pile)
        sheet.mend(
            "link.stall_margin",
            lambda r: (
                f"a receive buffer of {math.ceil(pile * (r.at_least or 1.0))} B, or fewer or shorter samples"
            ),
        )
    if link.clock is not None:
        _clock(sheet, link, link.clock, framing)


def _clock(sheet: Sheet, link: Link, clock: float, framing: serial_line.Framing) -> None:
    """link.clock_error: the sender's own, up to both ends' with the logger's as far off as is advisable."""
    name = "link.clock_error"
    error = serial_line.divisor_error(clock, link.baud, link.oversampling)
    advised = serial_line.recommended_error(framing, link.oversampling)
    both = serial_line.mismatch(error, -advised if error >= 0 else advised)
    sheet.add(name, abs(error), low=abs(error), high=abs(both), limits=(None, advised))
    sheet.mend(name, lambda _: _other_rate(clock, link.baud, link.oversampling, framing))
    slow, fast = serial_line.tolerance(framing, link.oversampling)
    survives = f"a {link.framing} frame survives {slow:+.2%} to {fast:+.2%}"
    if not slow <= error <= fast:
        sheet.refuse(name, f"The sender's clock is {error:+.2%} off the line's rate; {survives}.")
    elif not slow <= both <= fast:
        sheet.remark(
            name,
            f"The sender's clock is {error:+.2%} off the line's rate; {survives} of both ends together, "
            f"which leaves the logger less than the {advised:.1%} that is usual.",
        )


def _faster(
    limit: Reading, load: float, framing: serial_line.Framing, *, rate: float, length: float, capacity: float
) -> str:
    wanted = (limit.at_least or 1.0) * load * framing.bits
    slower = capacity / (limit.at_least or 1.0) / length
    faster = next((baud for baud in serial_line.COMMON_RATES if baud >= wanted), None)
    less = f"samples at {slower:.2g} Hz instead of {rate:.3g} Hz"
    return f"a line of {faster} baud, or {less}" if faster else f"{less}, or shorter ones"


def _other_rate(clock: float, baud: int, oversampling: int, framing: serial_line.Framing) -> str:
    found = serial_line.better_setting(clock, baud, oversampling, framing)
    if found is None:
        return "a clock that divides to the line's rate"
    rate, sampling, error = found
    return f"{rate} baud with {sampling} samples a bit ({error:+.2%}), set alike at both ends"
