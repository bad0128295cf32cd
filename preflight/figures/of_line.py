"""The figures of the serial line."""

from __future__ import annotations

import math

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
                f"A receive buffer of {math.ceil(pile * (r.at_least or 1.0))} B, or fewer or shorter samples."
            ),
        )
    if link.clock is not None:
        error = serial_line.divisor_error(link.clock, link.baud, link.oversampling)
        advised = serial_line.recommended_error(framing, link.oversampling)
        sheet.add("link.clock_error", abs(error), limits=(None, advised))
        slow, fast = serial_line.tolerance(framing, link.oversampling)
        sheet.mend(
            "link.clock_error",
            lambda _: _other_rate(link.clock or 0.0, link.baud, link.oversampling, framing),
        )
        if not slow <= error <= fast:
            sheet.refuse(
                "link.clock_error",
                f"The sender's clock gives {error:+.2%} of the rate; a {link.framing} frame survives "
                f"{slow:+.2%} to {fast:+.2%} of both ends together.",
            )


def _faster(
    limit: Reading, load: float, framing: serial_line.Framing, *, rate: float, length: float, capacity: float
) -> str:
    wanted = (limit.at_least or 1.0) * load * framing.bits
    slower = capacity / (limit.at_least or 1.0) / length
    faster = next((baud for baud in serial_line.COMMON_RATES if baud >= wanted), None)
    less = f"samples at {slower:.2g} Hz instead of {rate:.3g} Hz"
    return (
        f"A line of {faster} baud, or {less}." if faster else f"{less[0].upper()}{less[1:]}, or shorter ones."
    )


def _other_rate(clock: float, baud: int, oversampling: int, framing: serial_line.Framing) -> str:
    found = serial_line.better_setting(clock, baud, oversampling, framing)
    if found is None:
        return "A clock that divides to the line's rate."
    rate, sampling, error = found
    return f"{rate} baud with {sampling} samples a bit: {error:+.2%}; set both ends alike."
