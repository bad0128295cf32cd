"""The line of times: the countdown is never cut, however narrow the screen and long the step's name."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from small_flight import START

from preflight.tui.draw.head import times_line


def drawn(width: int, *, step: str = "logger", expires: float | None = 45.0, left: float = 120.0) -> str:
    """The line `left` minutes before the planned release, with what expires in `expires` minutes."""
    state = SimpleNamespace(
        now=SimpleNamespace(at=START),
        planned_release=START + timedelta(minutes=left),
        first_expiry=None if expires is None else (START + timedelta(minutes=expires), step),
        released=None,
    )
    view = SimpleNamespace(state=state, zone=ZoneInfo("Pacific/Auckland"), given_up=False)
    line = times_line(SimpleNamespace(view=view), width)  # type: ignore[arg-type]
    assert line.cell_length == width
    return line.plain


@pytest.mark.parametrize("width", [40, 50, 60, 70, 80, 100, 120, 160])
@pytest.mark.parametrize("step", ["logger", "flight-computed-again"])
def test_the_countdown_and_the_first_expiry_are_never_cut(width: int, step: str) -> None:
    line = drawn(width, step=step)
    assert "in 02:00:00" in line
    assert "▲ " in line
    assert "07:45Z" in line
    assert "…" not in line
    assert "90 d 02:00:00 ago" in drawn(width, step=step, left=-90 * 1440 - 120.0)
    assert "in 02:00:00" in drawn(width, step=step, expires=None)
    if width >= 60 and step == "logger":
        assert "first expiry 07:45Z logger" in line
    if width >= 100:
        assert "22:00 local" in line


def test_what_lasts_beyond_the_release_is_told_quietly() -> None:
    assert "▲" not in drawn(80, expires=600.0)
    assert "before release" in drawn(120)
    assert "before release" not in drawn(120, expires=600.0)


def test_what_is_not_of_today_has_its_date_on_both_clocks() -> None:
    assert "planned 2031-03-09 09:00Z" not in drawn(160)
    far = drawn(80, left=170 * 1440 + 840.0, expires=None)
    assert "2031-08-26 21:00Z · 2031-08-27 09:00 local  in 170 d 14:00:00" in far
    assert "2031-08-26 21:00Z  in 170 d 14:00:00" in drawn(60, left=170 * 1440 + 840.0)
