"""Fewer bytes, the same cells: what a terminal shows of both, by a terminal small enough to read."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from screen_driving import Driver, Stage
from textual._compositor import ChopsUpdate, CompositorUpdate
from textual.screen import Screen
from textual.strip import Strip

from preflight.tui.themed import ThemedApp
from preflight.tui.thrift import Thrifty, thrifty

OFF = {22: (1, 2), 23: (3,), 24: (4, 21), 25: (5, 6), 27: (7,), 29: (9,), 55: (53,)}
SEEN_ON_BLANKS = {4, 7, 9, 21, 53}
Cells = dict[tuple[int, int], tuple[Any, ...]]


def cells(text: str, before: Cells | None = None) -> Cells:
    """Every cell written: character, ink, fill, attributes; of a blank only what is seen of it.

    With the cells of `before`, those that are not written stay as they were.
    """
    shown: Cells = dict(before or {})
    row = column = 0
    ink = fill = ""
    flags: set[int] = set()
    for part in re.finditer(r"\x1b\[([0-9;]*)([mH])|\r?\n|[^\x1b]", text):
        if part[0] in ("\n", "\r\n"):
            row, column = row + 1, 0
        elif part[2] == "H":
            row, column = (int(each) - 1 for each in (part[1] or "1;1").split(";"))
        elif part[2] == "m":
            codes = iter((part[1] or "0").split(";"))
            for code in codes:
                number = int(code)
                if number in (38, 48):
                    kind = next(codes)
                    colour = code + kind + ",".join(next(codes) for _ in range(3 if kind == "2" else 1))
                    ink, fill = (colour, fill) if number == 38 else (ink, colour)
                elif number == 0:
                    ink, fill, flags = "", "", set()
                elif number in OFF:
                    flags -= set(OFF[number])
                elif 30 <= number <= 39 or 90 <= number <= 97:
                    ink = code
                elif 40 <= number <= 49 or 100 <= number <= 107:
                    fill = code
                else:
                    flags.add(number)
        else:
            drawn = flags if part[0] != " " else flags & SEEN_ON_BLANKS
            wide = cell_len(part[0])
            if wide:
                _halve(shown, row, column, wide)
                shown[row, column] = (part[0], ink if part[0] != " " or drawn else "", fill, frozenset(drawn))
            else:  # a combining mark
                at = (row, column - 1) if (row, column - 1) in shown else (row, column - 2)
                shown[at] = (shown[at][0] + part[0], *shown[at][1:])
            column += wide
    return shown


def _halve(shown: Cells, row: int, column: int, wide: int) -> None:
    """Of a wide character that is written over in part nothing stays but a blank."""
    for at in range(column, column + wide):
        old = shown.get((row, at))
        if old is None and cell_len(shown.get((row, at - 1), " ")[0]) == 2:
            shown[row, at - 1] = (" ", "", *shown[row, at - 1][2:])
        elif old is not None and cell_len(old[0]) == 2:
            shown[row, at + 1] = (" ", "", *old[2:])
    if wide == 2:
        shown.pop((row, column + 1), None)


colours = st.sampled_from(
    ["#0e1318", "#e8ecf0", "#ffc800", "red", "bright_blue", "color(9)", "default", None]
)
styles = st.builds(
    Style,
    color=colours,
    bgcolor=colours,
    bold=st.booleans(),
    dim=st.booleans(),
    underline=st.booleans(),
    reverse=st.booleans(),
    strike=st.booleans(),
)
runs = st.tuples(st.text("ab H;[m─█ ", max_size=6), st.none() | styles)
lines = st.lists(st.lists(runs, max_size=6), min_size=1, max_size=4)


@given(lines)
def test_the_same_cells_are_shown(made: list[list[tuple[str, Style | None]]]) -> None:
    console = Console(color_system="truecolor", legacy_windows=False)
    sent = []
    for n, line in enumerate(made):
        sent.append(f"\x1b[{n + 1};1H")
        sent += [
            style.render(text, color_system=console._color_system) if style else text for text, style in line
        ]
        sent.append("\r\n")
    text = "".join(sent)
    thin = thrifty(text)
    assert cells(thin) == cells(text)
    assert len(thin) <= len(text) + 4
    assert cells(f"{thin}x") == cells(f"{text}x")  # it ends without attributes


def test_whole_screens_are_shown_alike_with_fewer_bytes(stage: Stage) -> None:
    sizes = [0, 0]

    async def story(driver: Driver) -> None:
        await driver.begin()
        for key in ("right", "2", "escape", "question_mark", "escape", "i"):
            await driver.key(key)
            update = driver.app.screen._compositor.render_update(full=True)
            assert isinstance(update, CompositorUpdate)
            text = update.render_segments(driver.app.console)
            thin = thrifty(text)
            assert cells(thin) == cells(text)
            sizes[0] += len(text.encode())
            sizes[1] += len(thin.encode())

    stage.drive(story)
    assert sizes[1] < 0.8 * sizes[0]


def test_parts_of_lines_make_the_whole_screen(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """After every act the cells that were sent are those that the whole screen has; wide characters too."""
    sent = ""

    def display(app: ThemedApp[Any], screen: Screen[Any], update: Any) -> None:
        nonlocal sent
        if screen is app.screen and isinstance(update, CompositorUpdate):
            sent += Thrifty(update).render_segments(app.console)

    monkeypatch.setattr(ThemedApp, "_display", display)

    async def story(driver: Driver) -> None:
        nonlocal sent
        shown: Cells = {}

        async def same() -> None:
            nonlocal sent, shown
            await driver.dealt()
            update = driver.app.screen._compositor.render_update(full=True)
            assert isinstance(update, CompositorUpdate)
            shown, sent = cells(sent, shown), ""
            assert shown == cells(update.render_segments(driver.app.console))

        await driver.begin()
        driver.app.refresh(layout=True)
        await same()
        for key in (
            *("right", "left", "2", "right", "escape"),
            *("right", "question_mark", "escape", "i", "escape"),
        ):
            await driver.key(key)
            await same()
        for text in (
            "電池 3.3 V",
            "電 3.3 V",
            "bare 3.3 V",
            "電池電圧, e\u0301\u0302 ﹏ 3.4 V",
            "池 3.3",
            "",
        ):
            driver.app.tell("Said", text)
            await same()

    stage.drive(story)


def test_no_wide_character_is_cut_in_half() -> None:
    strip = Strip([Segment("電池 3.3 V")])
    console = Console(color_system="truecolor", legacy_windows=False)
    update = ChopsUpdate([{0: strip}], [(0, 1, 7)], [[10]])
    assert cells(Thrifty(update).render_segments(console))[0, 0][0] == "電"
    update = ChopsUpdate([{0: Strip([Segment("bare 3.3 V")])}], [(0, 5, 8)], [[10]])
    assert {at: cell[0] for at, cell in cells(Thrifty(update).render_segments(console)).items()} == {
        (0, 5): "3",
        (0, 6): ".",
        (0, 7): "3",
    }


def test_what_is_not_a_run_of_cells_goes_through_as_it_is() -> None:
    for text in ("", "plain H", "\x1b[2;3Hplain", "\x1b[?25l", "\x1b]2;preflight\x07", "\x1b[0m"):
        assert thrifty(text) == text
    assert thrifty("\x1b[1ma\x1b[0mb") == "\x1b[1ma\x1b[0mb"
