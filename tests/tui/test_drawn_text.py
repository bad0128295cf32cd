"""Drawing without a screen: what is cut, scales, bars, phases, times, codes."""

from __future__ import annotations

import re
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from textual.content import Content

from preflight.figures.run_out import Axis, RunOut
from preflight.readings import Reading
from preflight.record.seal import seal_code
from preflight.tui import words
from preflight.tui.dialogs.glyphs import groups, large, qr
from preflight.tui.draw.choices import choice_lines
from preflight.tui.draw.foot import notice_lines, packed
from preflight.tui.draw.head import names_that_fit
from preflight.tui.draw.lists import figure_lines, figures_here
from preflight.tui.draw.runout import axis_line, run_out_lines
from preflight.tui.draw.scale import bar, progress_lines, reading_line, scale, short_names, tail_width
from preflight.tui.draw.scene import Notice
from preflight.tui.draw.text import MORE_STYLE, Block, fit, labelled, say


def lines(n: int, word: str) -> list[Content]:
    return [Content(f"{word}{k}") for k in range(n)]


def plain(n: int, word: str) -> list[str]:
    return [each.plain for each in lines(n, word)]


def test_what_gives_way_first_is_what_matters_least() -> None:
    blocks = [
        Block(lines(3, "caution"), 8, 2),
        Block(lines(4, "reading"), 5, 2),
        Block(lines(2, "why"), 1, 1),
    ]
    assert [line.plain for line in fit(blocks, 9, 40)] == [
        *plain(3, "caution"),
        *plain(4, "reading"),
        *plain(2, "why"),
    ]
    cut = [line.plain for line in fit(blocks, 7, 40)]
    assert cut[-1] == " ▼ 3 more lines: Space shows all".ljust(40)
    assert sum(line.startswith("why") for line in cut) == 1
    assert sum(line.startswith("reading") for line in cut) == 2
    assert sum(line.startswith("caution") for line in cut) == 3
    least = [line.plain.rstrip() for line in fit(blocks, 2, 40)]
    assert least == ["caution0", " ▼ 8 more lines: Space shows all"]
    assert [line.plain for line in fit(blocks, 1, 30)] == ["caution0          ▼ +8: Space "]


@pytest.mark.parametrize("width", [24, 40, 60, 80, 160])
def test_what_is_beyond_the_room_is_told_in_a_place_of_its_own(width: int) -> None:
    blocks = [
        Block(lines(n, word), rank) for n, word, rank in ((2, "caution", 9), (5, "x" * 70, 5), (3, "why", 1))
    ]
    whole = [each.plain for block in blocks for each in block.lines]
    for height in range(2, 10):
        drawn = fit(blocks, height, width)
        *shown, last = [line.plain for line in drawn]
        # No other line is touched, and the last one is filled from end to end and says how many there are.
        assert [each for each in whole if each in shown] == shown
        assert len(drawn) == height
        assert last.startswith(f" ▼ {len(whole) - len(shown)} more line")
        assert "Space" in last
        assert len(last) == width
        assert {span.style for span in drawn[-1].spans} == {MORE_STYLE}
    assert [line.plain for line in fit(blocks, 10, width)] == whole


def test_work_that_is_told_at_length_wraps_and_loses_no_word() -> None:
    said = "Power is off: count to five, then PUT IT BACK and watch for the first line"
    drawn = progress_lines(said, 0.5, 3.0, 66)
    assert " ".join(line.plain for line in drawn[1:]) == said
    assert all(line.cell_length <= 66 for line in drawn)


def test_names_side_by_side_are_shortened_all_in_one_way() -> None:
    crew = ["Ines Example", "Omar", "Lena van Example"]
    assert names_that_fit(crew, 32) == crew
    assert names_that_fit(crew, 31) == ["Ines E.", "Omar", "Lena E."]
    assert names_that_fit(crew, 17) == ["Ines", "Omar", "Lena"]
    assert names_that_fit(["Maximiliane Example", "Li", "\u674e\u96f7\u97e9\u6885"], 12) == [
        "Maxi",
        "Li",
        "\u674e\u96f7",
    ]


@given(
    st.lists(st.tuples(st.integers(1, 9), st.integers(0, 9), st.integers(0, 3)), max_size=12),
    st.integers(1, 30),
)
def test_the_centre_is_never_higher_than_its_room(parts: list[tuple[int, int, int]], height: int) -> None:
    blocks = [Block(lines(n, "x"), rank, keep) for n, rank, keep in parts]
    assert len(fit(blocks, height, 60)) <= height


@given(st.text(max_size=200), st.integers(30, 90))
def test_a_label_never_makes_a_line_too_wide(text: str, width: int) -> None:
    assert all(line.cell_length <= width for line in labelled("label", say(text), width))


finite = st.floats(-1e9, 1e9, allow_nan=False)


@given(st.none() | finite, st.none() | finite, st.none() | finite | st.just("FAT32"), st.integers(8, 100))
def test_a_reading_is_one_line_of_its_width(low, high, value, width: int) -> None:
    if low is not None and high is not None and low > high:
        low, high = high, low
    reading = Reading(name="some.reading", value=value, unit="V", at_least=low, at_most=high)
    assert reading_line(reading, width).cell_length <= width
    drawn = scale(reading, width)
    assert drawn.cell_length == width


@pytest.mark.parametrize(
    ("value", "at_least", "at_most", "expected"),
    [
        (2.5, 2.0, None, "────────┃━◆━━━━━━━━━"),
        (99.0, 2.0, None, "────────┃━━━━━━━━━━▶"),
        (1.0, 2.0, None, "────◆───┃━━━━━━━━━━━"),
        (3.0, None, 6.0, "━━━━━━◆━━━━━━┃──────"),
        (5.0, 3.0, 7.0, "────┃━━━━━◆━━━━┃────"),
        (1.0, 3.0, 7.0, "◀───┃━━━━━━━━━━┃────"),
    ],
)
def test_a_scale_has_posts_at_its_limits_and_a_diamond_at_its_value(
    value: float, at_least: float | None, at_most: float | None, expected: str
) -> None:
    reading = Reading(name="x.y", value=value, at_least=at_least, at_most=at_most)
    assert scale(reading, 20).plain == expected


def test_beside_a_failed_limit_stands_on_which_side_it_is_crossed_and_no_factor() -> None:
    volts = {"name": "battery.open_voltage", "unit": "V", "at_least": 8.2, "at_most": 8.5}
    for value, told in ((82.9, "too high"), (0.8, "too low")):
        line = reading_line(Reading(value=value, **volts), 76).plain
        assert line.endswith(f"8.2 to 8.5 V {told}")
        assert "×" not in line
    assert "×1.0" in reading_line(Reading(value=8.3, **volts), 76).plain


def test_of_names_under_each_other_each_is_told_from_the_others() -> None:
    flight = ["flight.landing_energy", "flight.landing_energy_fouled", "flight.landing_speed_fouled"]
    assert short_names(flight, 40) == flight
    assert short_names(flight, 21) == ["landing_energy", "landing_energy_fouled", "landing_speed_fouled"]
    for names in (flight, ["battery.loaded_voltage_min", "beacon.loaded_voltage_min", "battery.margin"]):
        for room in range(14, 30):
            short = short_names(names, room)
            assert len(set(short)) == len(short)
            assert all(len(each) <= room for each in short)
            assert all(each[-3:] == name[-3:] for each, name in zip(short, names, strict=True))


def test_scales_under_each_other_end_alike() -> None:
    two = [
        Reading(name="link.margin", value=1.62, at_least=2.0),
        Reading(name="link.stall_margin", value=250.0, at_least=1.0),
    ]
    tails = tail_width(two)
    ends = {len(reading_line(each, 68, 18, tails).plain.split(" ≥ ")[0]) for each in two}
    assert len(ends) == 1
    assert len({len(reading_line(each, 68, 18).plain.split(" ≥ ")[0]) for each in two}) == 2


def test_a_reading_outside_its_limits_is_in_the_alert_style() -> None:
    reading = Reading(name="x.y", value=1.0, at_least=2.0)
    assert "$alert" in str(reading_line(reading, 60).spans)
    assert "$alert" not in str(reading_line(Reading(name="x.y", value=3.0, at_least=2.0), 60).spans)


def test_bars_end_at_an_eighth_of_a_cell() -> None:
    assert [bar(share / 16, 2) for share in (0, 1, 8, 15, 16, 40)] == [
        "  ",
        "▏ ",
        "█ ",
        "█▉"[:1] + "▉",
        "██",
        "██",
    ]
    assert "45 %" in progress_lines("reading", 0.45, 3.0, 60)[0].plain


class _Figures:
    axis = Axis(release=2700, burst=9600, landing=12600, end_of_search=27000)
    run_out = (
        RunOut("battery", 20000, "in the search", 1.58, 12600, at_least=1.5),
        RunOut("beacon battery", 25000, "in the search", 0.93, 27000, at_least=1.5),
        RunOut("card", 400000, "after the search", 14.8, 27000, at_least=2.0),
    )
    governing = run_out[1]


def test_what_governs_is_marked_by_a_word_and_a_shape_and_what_is_short_says_so() -> None:
    drawn = [line.plain for line in run_out_lines(_Figures, 80, 5)]  # type: ignore[arg-type]
    assert "│relea" in drawn[0]
    assert "end of search 7.5 h" in drawn[0]
    assert "◀" in drawn[2]
    assert "SHORT" in drawn[2]
    assert "◀" not in drawn[1]
    assert "▶" in drawn[3]
    assert [line.index("battery") for line in drawn[1:3]] == [1, 8]
    longer, shorter = (sum(c == "█" for c in line) for line in (drawn[2], drawn[1]))
    assert longer > shorter
    assert all(len(line) <= 80 for line in drawn)


def test_resources_beyond_the_room_are_counted_above_the_names() -> None:
    assert run_out_lines(_Figures, 80, 3)[0].plain.startswith(" ▼ +1 more: i   │")  # type: ignore[arg-type]
    assert run_out_lines(_Figures, 80, 4)[0].plain.startswith(" " * 16 + "│")  # type: ignore[arg-type]


def test_the_governing_resource_is_shown_however_little_room_there_is() -> None:
    drawn = [line.plain for line in run_out_lines(_Figures, 80, 2)]  # type: ignore[arg-type]
    assert "beacon battery" in drawn[1]


def test_a_short_axis_gives_up_words_not_posts() -> None:
    line = axis_line(_Figures.axis, 20).plain
    assert line.count("│") == 5


def test_help_and_quit_are_always_in_the_footer() -> None:
    pairs = [(chr(97 + n), f"word {n}") for n in range(26)] + [("?", "help"), ("q", "quit")]
    for width, height in ((80, 2), (40, 2), (160, 2), (30, 1)):
        drawn = [line.plain for line in packed(pairs, width, height)]
        assert len(drawn) <= height
        assert all(len(line) == width for line in drawn)
        assert "? help" in drawn[-1]
        assert "q quit" in drawn[-1]


def test_a_code_is_large_in_groups_of_four_and_as_a_qr_code() -> None:
    code = seal_code(b"line\n", "20310309T070000Z-abcdef")
    four = groups(code)
    assert "".join(four) == code.replace("-", "")
    assert [len(group) for group in four] == [4, 4, 4, 4]
    alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # Crockford's base32
    drawn = {char: "\n".join(large(char)) for char in alphabet}
    assert len(set(drawn.values())) == len(alphabet)
    assert {len(large(char)) for char in alphabet} == {4}
    square = qr(code)
    assert {len(line) for line in square} == {len(square[0])}
    assert len(square[0]) <= 2 * len(square) <= len(square[0]) + 1
    assert len(square) <= 16


def test_a_short_margin_never_reads_as_enough() -> None:
    assert [words.times(value) for value in (0.9999, 1.0, 1.92, 9.6, 470.4, 1000.0, 1e6)] == [
        "×0.99",
        "×1",
        "×1.9",
        "×9.6",
        "×470",
        "×1000",
        "more than ×1000",
    ]
    assert words.times(1.46, 1.5) == "×1.4"
    assert words.times(1.496, 1.5) == "×1.4"
    assert words.times(1.52, 1.51) == "×1.52"
    assert words.quantity(131067904, "B") == "131.1 MB"
    assert words.quantity(9000, "B") == "9000 B"
    assert words.quantity(None, "V") == "not known"


def test_a_figures_name_is_never_cut_in_its_column() -> None:
    """A cut name may be taken for another: flight.landing_speed for flight.landing_speed_fouled."""
    long = Reading(name="flight.landing_speed_fouled", value=5.822, unit="m/s", at_most=9.0)
    short = Reading(name="link.load", value=160.0, unit="B/s")
    figures = SimpleNamespace(figures=(long, short), no_go={}, faults=(), remarks=())
    for width in (30, 39, 46):
        lines = [
            line.plain
            for line in figure_lines(SimpleNamespace(extra=SimpleNamespace(figures=figures)), width)
        ]
        assert all(len(line) == width for line in lines[1:])
        text = " ".join(lines)
        assert "flight.landing_speed_fouled" in text
        assert "5.822 m/s" in text
    assert len(lines) == 3  # at 160 columns each is one line
    scene = SimpleNamespace(extra=SimpleNamespace(figures=figures))
    shown = [line.plain.strip() for line in figures_here(scene, 46, 2)]
    assert shown == ["figures", "▼ 2 more lines: i shows all"]


@pytest.mark.parametrize("height", range(1, 16))
def test_of_a_long_list_of_choices_it_is_told_how_many_there_are_and_each_can_be_reached(height: int) -> None:
    blocks = [[Content(f"choice {n}"), *lines(n % 3, f"about {n} ")] for n in range(7)]
    for at in range(7):
        drawn = [line.plain for line in choice_lines(blocks, at, 50, height)]
        shown = [int(line[7:]) for line in drawn if line.startswith("choice")]
        assert at in shown
        assert len(drawn) <= height
        if height == 1 or len(shown) == 7:
            continue
        assert drawn[-1].startswith(f" {at + 1} of 7")
        above = re.search(r"▲ (\d+) more above", drawn[-1])
        below = re.search(r"▼ (\d+) more below", drawn[-1])
        assert (int(above[1]) if above else 0) == shown[0]
        assert (int(below[1]) if below else 0) == 6 - shown[-1]


@pytest.mark.parametrize("alert", [False, True])
def test_what_is_said_is_two_lines_at_most_and_both_stand_off_the_edge(alert: bool) -> None:
    for text in ("short", "a reason of some length " * 4, "a reason of some length " * 20):
        lines = notice_lines(Notice("Not now", text, alert=alert), 80)
        assert len(lines) <= 2
        assert all(line.plain.startswith(" ") and line.cell_length == 80 for line in lines)
