"""Strips, marked lines and reports heard as they are drawn, from numbers and lines alone."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.live import Bad, Line, Reception, Receptions, Stream, Trace
from preflight.readings import Progress, Reading
from preflight.tui.draw.live import live_lines
from preflight.tui.draw.live_stream import history_lines, line_content, reception_lines, stream_lines
from preflight.tui.draw.live_trace import columns_of, strip_lines
from preflight.tui.marks import ALERT_STYLE

NAN = math.nan


def plain(lines) -> list[str]:
    return [line.plain.rstrip() for line in lines]


@given(
    st.lists(st.floats(), max_size=300),
    st.none() | st.floats(-1e9, 1e9),
    st.none() | st.floats(-1e9, 1e9),
    st.sampled_from(["least", "most"]),
    st.booleans(),
    st.integers(40, 160),
    st.integers(0, 8),
)
def test_a_strip_is_drawn_from_any_numbers(points, low, high, fold, steep, width, height) -> None:
    trace = Trace(
        name="rate",
        unit="Hz",
        points=tuple(points),
        fold=fold,
        at_least=low,
        at_most=high,
        declared=low,
        posts=((0, "open"), (len(points) // 2, "loaded")),
        steep=steep,
        told="2 Hz, 2 Hz declared",
    )
    lines = strip_lines(trace, width, height)
    assert len(lines) == height
    assert all(line.cell_length <= width for line in lines)


def test_heights_follow_the_numbers_and_nothing_is_a_dot() -> None:
    trace = Trace(name="rate", points=(1.0, 2.0, NAN, 4.0, 8.0), declared=8.0)
    (line,) = plain(strip_lines(trace, 60, 1))
    assert line[11:16] == "▁▂·▃▇"


def test_many_points_show_the_one_that_matters() -> None:
    points = tuple(700.0 if n == 431 else 1.0 for n in range(1000))
    assert max(columns_of(Trace(name="append", points=points), 40)) == 700.0
    least = columns_of(Trace(name="speed", points=tuple(-p for p in points), fold="least"), 40)
    assert min(least) == -700.0


def test_a_stall_is_pointed_at_beside_the_limit() -> None:
    points = (*[1.0] * 20, 900.0, *[1.0] * 9)
    trace = Trace(name="append", unit="ms", points=points, at_most=480.0, steep=True, told="300 a second")
    lines = strip_lines(trace, 80, 4)
    shown = plain(lines)
    at = shown[-1].index("▲")
    assert shown[-1].strip() == "▲ ■ longest 900 ms"  # all of it has no room here
    assert at == 11 + 20
    wide = plain(strip_lines(trace, 120, 4))
    assert wide[-1].strip() == "▲ ■ longest 900 ms, at most 480 ms"
    column = [line[at] for line in shown[:-1]]
    assert "■" in column
    assert any("╌" in line for line in shown)
    assert any(str(span.style) == ALERT_STYLE for line in lines for span in line.spans)


def test_a_word_under_a_strip_stands_whole_or_not_at_all() -> None:
    def under(points: tuple[float, ...], width: int) -> str:
        posts = (*((0, "open") for _ in range(3)), (3, "loaded"))
        trace = Trace(name="voltage", unit="V", points=points, fold="least", posts=posts)
        return plain(strip_lines(trace, width, 4))[-1]

    assert under((8.3, 8.3, 8.3, 8.2, 8.2, *[8.2] * 20, 8.08), 90).split() == [
        "┆",
        "┆loaded",
        "▲",
        "lowest",
        "8.08",
        "V",
    ]
    near = under((8.3, 8.3, 8.3, 8.2, 8.2, 8.08), 90).split()
    assert near == ["┆", "┆", "▲", "lowest", "8.08", "V"]


def test_a_value_below_its_limit_is_a_shape_on_a_single_line() -> None:
    trace = Trace(name="voltage", unit="V", points=(8.3, 7.9, 5.2), fold="least", at_least=6.0)
    (line,) = plain(strip_lines(trace, 60, 1))
    assert line[13] == "■"
    assert "■" not in line[11:13]


def test_a_bad_field_is_a_shape_and_a_fill_and_its_reason_stands_below() -> None:
    line = Line("1,1203.4,9.0", (Bad(2, 8, "pressure: 1203.4 hPa is above 1100 hPa"),))
    content = line_content(line, 60)
    assert content.plain == "1,■1203.4,9.0"
    (span,) = [span for span in content.spans if ALERT_STYLE in str(span.style)]
    assert content.plain[span.start : span.end] == "1203.4"
    shown = plain(stream_lines(Stream(name="tap", lines=(line,), seen=1), 80, 3))
    assert shown == [
        "      tap  1,■1203.4,9.0",
        "           └■ pressure: 1203.4 hPa is above 1100 hPa",
    ]


def test_a_missing_field_is_marked_where_the_line_ends() -> None:
    line = Line("1,992.1", (Bad(7, 7, "temperature: missing"),))
    assert line_content(line, 60).plain == "1,992.1■"


def test_of_a_long_line_the_part_around_its_bad_field_is_shown() -> None:
    text = ",".join(str(n) for n in range(100))
    at = text.index(",90,") + 1
    content = line_content(Line(text, (Bad(at, at + 2, "x: 90 is above 1"),)), 40)
    assert "■90" in content.plain
    assert content.plain.startswith("…")
    assert content.cell_length <= 40


def test_a_bad_line_stays_in_view_among_good_ones() -> None:
    bad = Line("3,x", (Bad(2, 3, "b: 'x' is not a number"),))
    good = [Line(f"{n},1") for n in range(10)]
    shown = plain(stream_lines(Stream(name="tap", lines=(*good, bad, *good[:2]), seen=13), 80, 4))
    assert any("■x" in line for line in shown)
    assert any("b: 'x' is not a number" in line for line in shown)
    assert shown[-1].endswith("1,1")


def test_what_is_no_sample_says_so() -> None:
    assert line_content(Line("FF FE 00", kind="undecoded"), 60).plain == "▨ no sample: FF FE 00"
    rest = plain(stream_lines(Stream(name="tap", rest="FF FE"), 60, 3))
    assert rest == ["      tap  … no line yet: FF FE"]


def test_the_history_says_once_why_lines_are_wrong_in_the_same_way() -> None:
    bad = tuple(Line(f"{n},9", (Bad(2, 3, "b: 9 is above 1"),)) for n in range(5))
    shown = plain(history_lines(Stream(name="tap", lines=bad, seen=5), 60))
    assert sum("b: 9 is above 1" in line for line in shown) == 1
    assert sum("■9" in line for line in shown) == 5


HOSTILE = "[BATT] 3.3 [/] [red]x[/red] \x1b[31mESC\x9b2J \u202eback \x07 $bold {y}"


@given(st.text(max_size=60) | st.just(HOSTILE), st.integers(0, 50), st.integers(0, 20), st.integers(30, 100))
def test_hostile_lines_are_shown_and_not_obeyed(text: str, start: int, more: int, width: int) -> None:
    line = Line(text, (Bad(start, start + more, text),))
    heard = Receptions(name=text, reports=(Reception(ago=1.0, text=text, faults=(text,)),), told=text)
    drawn = [
        line_content(line, width),
        *stream_lines(Stream(name=text, lines=(line,), rest=text), width, 5),
        *history_lines(Stream(name=text, lines=(line,), rest=text), width),
        *reception_lines(heard, width, 3),
        *strip_lines(Trace(name=text, told=text, unit=text, points=(1.0,), posts=((0, text),)), width, 4),
    ]
    for each in drawn:
        assert each.cell_length <= width
        assert not any(ord(char) < 0x20 or 0x7F <= ord(char) < 0xA0 for char in each.plain)
        assert "\u202e" not in each.plain


def test_reports_heard_have_age_and_distance_and_what_is_wrong() -> None:
    heard = Receptions(
        name="beacon",
        reports=(
            Reception(ago=70.0, text="SIM-7 -43.93", age=3.0, distance=12.4),
            Reception(ago=8.0, text="SIM-7", age=400.0, distance=5400.0, faults=("older than 121 s",)),
            Reception(ago=1.0, text="no fix", faults=("no fix: it sends no position",)),
        ),
        seen=5,
        told="one every 60 s declared",
    )
    shown = plain(reception_lines(heard, 90, 4))
    assert "70 s ago" in shown[0]
    assert "age 3 s" in shown[0]
    assert "12 m" in shown[0]
    assert "age 7 min" in shown[1]
    assert "5.4 km" in shown[1]
    assert "■ older than 121 s" in shown[1]
    assert "no position" in shown[2]
    assert "5 heard; one every 60 s declared" in shown[3]


@pytest.mark.parametrize("height", range(1, 22))
def test_the_live_view_is_never_higher_than_its_room(height: int) -> None:
    lines = tuple(Line(f"{n},1") for n in range(50))
    traces = (Trace(name="rate", points=(1.0, 2.0)), Trace(name="jitter", points=(1.0,)))
    readings = tuple(Reading(name=f"position.{n}", value=1.0, at_least=2.0) for n in "abc")
    for parts in ((Stream(name="tap", lines=lines), *traces), traces, (Stream(name="tap"),)):
        for shown in ((), readings):
            drawn = live_lines(Progress("x", 0.5, None, shown, parts), 80, height)
            assert len(drawn) <= height
            assert all(line.cell_length <= 80 for line in drawn)
            if height >= 3 and len(parts) == 3:
                assert any("49,1" in line.plain for line in drawn) or shown
