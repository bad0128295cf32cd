"""The run-out chart as shares of the flight's own axis, for any writer to draw."""

from __future__ import annotations

from datetime import datetime, timedelta

from preflight.config.flight import Flight
from preflight.figures.compute import FlightFigures
from preflight.figures.run_out import RunOut
from preflight.figures.shown import lasts_text, needs_text
from preflight.readings import margin_text
from preflight.report.model import Bar, Chart, Tick
from preflight.report.words import Clockface, number

_ROOM = 1.15
"""The axis goes on past the end of search by this, so that what just lasts can be told from what does not."""


def chart_of(figures: FlightFigures, flight: Flight, clock: Clockface, note: str) -> Chart | None:
    """What runs out first on the axis of the longest flight; None where no resource was declared."""
    axis = figures.axis
    length = axis.end_of_search * _ROOM
    if not figures.run_out or length <= 0:
        return None
    start = flight.flight.release - timedelta(seconds=axis.release)
    moments = (
        ("power-up", axis.power_up),
        ("release", axis.release),
        ("burst", axis.burst),
        ("landing", axis.landing),
        ("end of search", axis.end_of_search),
    )
    ticks = tuple(Tick(f"{label} {_clock(start, after, clock)}", after / length) for label, after in moments)
    bars = tuple(_bar(item, figures.governing, length) for item in figures.run_out)
    return Chart(ticks, bars, note)


def _clock(start: datetime, after: float, clock: Clockface) -> str:
    stamp = clock.stamp(start + timedelta(seconds=after))
    return f"{stamp.utc[11:16]}Z"


def _bar(item: RunOut, governing: RunOut | None, length: float) -> Bar:
    needed = f"needed for {needs_text(item.need)}"
    text = f"lasts {lasts_text(item.after)} from power-up, ends {item.at_phase}; {needed}"
    short = False
    if item.margin is not None:
        text += f", margin {margin_text(item.margin, item.at_least or 1.0, digits=4)}"
        short = item.margin < (1.0 if item.at_least is None else item.at_least)
    if item.at_least is not None:
        text += f", at least {number(item.at_least)}"
    if short and item.mend:
        text += f". {item.mend}"
    end = min(1.0, max(0.0, item.after / length))
    return Bar(item.resource, end, item.after > length, text, item is governing, short)
