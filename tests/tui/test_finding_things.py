"""Anything is found by keys: a step by its words, an act by its name, what stands against go, in turn."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from screen_driving import Driver, Stage

from preflight.clean import clean
from preflight.tui.draw.phases import Shown, arrange, short_names
from preflight.tui.keys import KEYS
from preflight.tui.marks import PHASES
from preflight.tui.palette import ALSO, match
from preflight.tui.places import Place

TITLES = ("Bench: cells and card", "Site", "Payload power-up", "Payload closed", "Fill")


FEW = """
[checklist]
title = "One step"
revision = "A"
stations = ["director"]
roles = ["payload"]
release_by = ["director"]
seal_by = ["director"]
[[phase]]
id = "site"
title = "Site"
gate = "release"
[[phase.step]]
id = "field"
challenge = "Field, all round"
response = "Clear of people"
signed_by = ["payload"]
"""


def line(width: int, *, passed: int | None = None) -> list[str]:
    """What is shown of five phases, the third of them the crew's own."""
    phases = [
        Shown(title, "1/5", PHASES["passed" if n == passed else "waiting"]) for n, title in enumerate(TITLES)
    ]
    arrange(phases, 2, width)
    assert 1 + sum(phase.cells for phase in phases) <= width
    return [" ".join(part for part in (each.text, each.count * each.counted) if part) for each in phases]


@pytest.mark.parametrize(
    ("width", "shown"),
    [
        (
            90,
            [
                "Bench: cells and card 1/5",
                "Site 1/5",
                "Payload power-up 1/5",
                "Payload closed 1/5",
                "Fill 1/5",
            ],
        ),
        (80, ["Bench 1/5", "Site 1/5", "Payload power-up 1/5", "Payload closed 1/5", "Fill 1/5"]),
        (60, ["1/5", "1/5", "Payload power-up 1/5", "Payload closed 1/5", "1/5"]),
        (54, ["1/5", "1/5", "Payload power-up 1/5", "closed 1/5", "1/5"]),
        (43, ["", "", "Payload power-up 1/5", "closed 1/5", ""]),
        (20, ["", "", "Payl… 1/5", "", ""]),
    ],
)
def test_the_crews_phase_and_those_beside_it_keep_their_names_first(width: int, shown: list[str]) -> None:
    assert line(width) == shown


def test_no_two_phases_have_the_same_short_name() -> None:
    titles = [
        "Payload power-up",
        "Payload closed",
        "Fill",
        "Fill again",
        "Recovery: on the way",
        "Site",
        "Site",
    ]
    assert short_names(titles) == ["power-up", "closed", "Fill", "again", "Recovery", "6 Site", "7 Site"]
    assert short_names(["Recovery: on the way", "Recovery: everybody at the place"]) == [
        "on the way",
        "everybody",
    ]


@given(st.lists(st.text(st.characters(codec="ascii"), min_size=1, max_size=20).map(clean), max_size=9))
def test_short_names_are_never_alike(titles: list[str]) -> None:
    titles = [title for title in titles if title.strip()]
    assert len(set(short_names(titles))) == len(titles)


def test_a_phase_never_begun_keeps_its_name_before_any_other() -> None:
    assert line(50, passed=0)[0].startswith("Bench")
    assert line(200, passed=0) == [f"{title} 1/5" for title in TITLES]


def test_a_step_is_found_by_its_words_its_phase_or_its_outcome(stage: Stage) -> None:
    stage.checklist = stage.checklist.replace('challenge = "Battery lead"', 'challenge = "Lead by its neck"')

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.press("slash")
        await driver.until(lambda: "type to narrow" in driver.text())
        (spare,) = [line for line in driver.text().splitlines() if " spare " in line]
        assert "optional: " in spare
        assert driver.text().count("optional: ") == 1
        await driver.key("escape")
        # It starts where the crew is, and what is called so comes before what only speaks of it.
        driver.app.conductor.go(Place("step", "call"))
        await driver.pilot.resize_terminal(80, 20)
        await driver.press("slash")
        await driver.until(lambda: "type to narrow" in driver.text() and " call  " in driver.text())
        assert "· to do" in driver.text()
        await driver.key("escape")
        for typed in ("neck", "go batt", "winds"):
            await driver.press("slash")
            await driver.until(lambda: "type to narrow" in driver.text())
            await driver.type(typed)
            await driver.press("enter")
            await driver.until(lambda: "type to narrow" not in driver.text())
            wanted = {"neck": "neck-lift", "go batt": "battery", "winds": "winds"}[typed]
            await driver.until(lambda wanted=wanted: driver.app.seen.place.name == wanted)

    stage.drive(story)


def test_a_search_without_a_match_says_how_to_go_on(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.press("slash")
        await driver.until(lambda: "type to narrow" in driver.text())
        await driver.type("sealx")
        await driver.until(lambda: "No step or call has “sealx” in it" in driver.said())
        assert "Ctrl+P searches the acts" in driver.said()
        await driver.key("enter")
        assert "sealx" in driver.text()
        await driver.press("backspace", "enter")
        await driver.at("close")

    stage.drive(story)


def test_acts_are_found_by_their_help_and_by_the_words_of_the_record() -> None:
    """Also in half, and by what an entry is called; nothing is guessed from letters that lie apart."""
    lines = {key.name: (f"{key.word} {key.help}", ALSO.get(key.name, "")) for key in KEYS}
    lines["ordinary"] = ("Enter", ALSO["ordinary"])
    assert set(ALSO) <= set(lines)

    def found(typed: str) -> set[str]:
        return {name for name, line in lines.items() if match(typed, *line) > 0}

    assert found("mirr") == found("second copy") == found("backup") == {"mirror"}
    for key in KEYS:
        assert key.name in found(key.help), key.help
        assert key.name in found(key.word), key.word
    words = (
        "checklist phase gate step check finding reading margin sample tap outcome verdict hold lift waiver"
    )
    words += (
        " sign witness poll record seal run-out scrub carry correct paper close replan power release begin"
    )
    assert not [word for word in (*words.split(), "flight file", "no-go", "stale") if not found(word)]
    assert "waive" in found("waiver")
    assert match("waive", "waive Accept a no-go") > match("no-go", "waive Accept a no-go") > 0.8
    assert match("xyz", "waive Accept a no-go", "waiver") == match("", "x") == 0


def test_the_palette_holds_every_act_that_can_be_done_and_every_step(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        able = [key for key in KEYS if key.when(driver.app.seen)]
        assert len(able) > 15
        for key in able[:4]:
            await driver.key("ctrl+p")
            await driver.type(key.help[:24])
            await driver.until(lambda key=key: key.help[:30] in driver.text())
            await driver.press("escape")
            await driver.until(lambda: len(driver.app.screen_stack) == 2)
        await driver.key("ctrl+p")
        await driver.type("mirr")
        await driver.until(lambda: "2nd copy  F5" in driver.text())
        await driver.press("escape")
        await driver.until(lambda: len(driver.app.screen_stack) == 2)
        await driver.key("ctrl+p")  # what can't be done now is found as well, and says so
        await driver.type("waiver")
        await driver.until(lambda: "waive  v  Accept a no-go within a bound  (not now)" in driver.text())
        await driver.press("escape")
        await driver.until(lambda: len(driver.app.screen_stack) == 2)
        await driver.key("ctrl+p")
        await driver.type("neck-lift")
        await driver.until(lambda: "Neck lift" in driver.text())
        await driver.press("down", "enter")
        await driver.until(lambda: driver.app.seen.place.name == "neck-lift")

    stage.drive(story)


def test_j_goes_to_what_stands_against_go_one_after_another(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        gate = driver.app.seen.view.state.gate
        assert gate is not None
        wanted = [reason.step or reason.phase for reason in gate.reasons if reason.step or reason.phase]
        assert len(wanted) > 2
        seen = []
        for _ in wanted:
            before = driver.app.seen.place
            await driver.press("j")
            await driver.until(lambda before=before: driver.app.seen.place != before)
            seen.append(driver.app.seen.place.name)
        # The crew stands at the first already: the rest follows in the walk's order, then it begins again.
        assert seen == [*wanted[1:], wanted[0]]

    stage.drive(story)


def test_before_a_record_is_open_the_palette_offers_no_act_of_a_walk(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.key("ctrl+p")
        await driver.until(lambda: "Unlock somebody" in driver.text())
        assert "Hold, from everywhere" not in driver.text()

    stage.drive(story)


def test_calls_between_steps_and_the_steps_own_act_are_in_the_palette(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.key("ctrl+p")
        await driver.type("poll, release")
        await driver.until(lambda: "╟ poll, release gate" in driver.text())
        await driver.press("down", "enter")
        await driver.at("poll", "release")
        await driver.key("full_stop")
        await driver.at("step", "battery")
        await driver.press("2")
        await driver.until(lambda: driver.app.seen.selected == "omar")
        await driver.key("ctrl+p")
        await driver.type("your number, then Enter")
        await driver.until(lambda: "Enter  Do it, see the response" in driver.text())
        before = driver.entries
        await driver.press("down", "enter")
        await driver.until(lambda: driver.entries > before, "for the step to be confirmed")

    stage.drive(story)


def test_j_goes_to_the_poll_and_then_to_the_decision_once_nothing_stands_against_go(stage: Stage) -> None:
    stage.checklist = FEW

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.sign("ines")
        assert driver.app.seen.view.state.gate is not None
        assert driver.app.seen.view.state.gate.verdict == "go"
        await driver.press("left")
        await driver.press("j")
        await driver.at("poll", "release")
        await driver.press("enter")
        await driver.fill("go", "", "1")
        await driver.until(lambda: driver.app.seen.view.state.gate.all_polled)
        await driver.press("left", "left", "left")
        await driver.press("j")
        await driver.at("authorise", "release")

    stage.drive(story)


def test_lines_that_no_resource_needs_are_the_steps(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.until(lambda: driver.app.seen.extra.figures is not None)
        figures = driver.app.seen.extra.figures
        assert figures is not None
        runout, centre = (driver.app.screen.query_one(name) for name in ("#runout", "#centre"))
        wanted = 1 + len(figures.run_out)
        await driver.until(lambda: runout.size.height == min(5, wanted))
        assert wanted < 5
        assert centre.size.height == 24 - 3 - wanted - 4
        assert figures.run_out[-1].resource in driver.text()

    stage.drive(story)


def test_help_is_one_screen_with_every_key_and_every_word(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        assert "all locked: u" in driver.text()
        await driver.begin()
        await driver.key("question_mark")
        text = driver.text()
        assert "…" not in text
        for key in KEYS:
            if key.name not in ("back", "on"):
                assert f"{key.shown} {key.help}" in text, key.name
        assert driver.app.screen.query_one("#text").max_scroll_y == 0

    stage.drive(story)
