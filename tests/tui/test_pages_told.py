"""What pages between steps say, who may sign, and what stands against go: drawn without a screen."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from screen_driving import PASSPHRASE, Stage
from screen_hand import Hand
from small_flight import filled, go, margin, polled

from preflight.tui import pages
from preflight.tui.draw.lists import step_lines
from preflight.tui.draw.phases import phases_line
from preflight.tui.draw.prompt import prompt_lines
from preflight.tui.draw.scene import Scene
from preflight.tui.forms import of_count
from preflight.tui.places import HELD, Place, place_of
from preflight.tui.view import Extra
from preflight.walk.acts import Walk

POLL, RELEASE = Place("poll", "release"), Place("release")


def told(lines: list[str]) -> str:
    """Drawn lines as one line of words, whatever was wrapped."""
    return " ".join(" ".join(lines).split())


def ready_to_release(walk: Walk) -> None:
    filled(walk, PASSPHRASE)
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    walk.witness("neck-lift", "lena")
    walk.confirm("gust", "omar", "4 m/s")
    walk.defer("notice", "ines", {"reference": "A-12"}, granted=True)
    walk.complete("fill", "omar")


def test_the_release_page_says_first_whether_to_let_go(hand: Hand) -> None:
    walk = hand.walk
    early = hand.page(RELEASE)
    # Whoever has the line in hand reads no further than what comes first on the page.
    assert [line.strip() for line in early[2:] if line][:2] == [
        "Release",
        "stop   ■ ALERT  DO NOT LET GO: battery is not done yet",
    ]
    to_go = "j goes to what stands against it, and that step is done again"
    assert f"to go {to_go}; then p polls director and payload; then a authorises." in told(early)
    assert "▶ Enter goes to battery, open. If it has left all the same: f" in told(early)
    ready_to_release(walk)
    polled(walk, "release")
    walk.authorise("release", "ines", PASSPHRASE)
    free = told(hand.page(RELEASE))
    assert "● GO authorised: a release now is with go" in free
    assert "▲ CAUTION Area clear of people and aircraft, line free, gloves on: then let go" in free
    assert "DO NOT LET GO" not in free
    walk.hold("aircraft", "omar")
    held = told(hand.page(RELEASE))
    assert "■ ALERT DO NOT LET GO: hold: aircraft" in held
    assert "l lifts the hold; then p polls director and payload; then a authorises." in held
    assert f"▶ {HELD}. If it has left all the same: f . goes to the poll" in held
    assert "Area clear" not in held
    walk.lift(hand.view.state.holds[0].ref, "omar", "gone")
    lifted = told(hand.page(RELEASE))
    assert "DO NOT LET GO: the release gate is not authorised" in lifted
    assert "to go p polls director and payload; then a authorises." in lifted
    to_poll = "Enter goes to the poll (p) of director and payload; then a authorises"
    assert f"▶ {to_poll}. If it has left all the same: f" in lifted
    polled(walk, "release")
    assert "▶ Enter goes to the authorisation (a). If it has left all the same: f" in told(hand.page(RELEASE))
    walk.release("omar", released_at=hand.clock.at, reason="torn loose")
    gone = told(hand.page(RELEASE))
    assert "signed Omar Example" in gone
    assert "torn loose" in gone


def test_a_gate_page_names_what_go_leaves_behind(hand: Hand) -> None:
    walk = hand.walk
    walk.confirm("battery", "omar", "8.1 V")
    walk.found("logger", go("logger-response"))
    walk.sign("logger", "omar")
    walk.found("line", margin(1.5))
    until = hand.clock.at + timedelta(hours=3)
    walk.waive("line", "ines", PASSPHRASE, reason="short cable", expires=until)
    walk.complete("power-up", "omar")
    fill = told(hand.page())
    assert "Poll the stations: fill gate" in fill
    assert "waived line by Ines Example: short cable" in fill
    assert "optional" not in fill
    assert "director not asked yet, no answer is assumed" in fill
    assert "expires line at 10:00Z · 10:00 local: fill and release must be over by then" in fill
    polled(walk, "fill")
    decides = of_count.authorise(hand.view, hand.view.state.gates["fill"])
    assert "Waived: line by Ines Example: short cable" in decides.about  # over the page that says so
    walk.authorise("fill", "ines", PASSPHRASE)
    later = told(hand.page(POLL))
    assert "waived line by Ines Example: short cable" in later  # a later gate goes with it as well
    assert "optional left: spare (open)" in later
    # Past its time the no-go is back, and the page no longer calls it waived.
    hand.clock.forward(hours=3, seconds=1)
    lapsed = told(hand.page(POLL))
    assert "■ NO-GO line: waiver expired 10:00 UTC" in lapsed
    assert "waived" not in lapsed
    walk.poll("release", "payload", "omar", go=False, remark="line")
    asked = told(hand.page(POLL))
    assert "payload ■ NO-GO Omar Example 10:00Z: line; asked again after the hold" in asked


def test_a_step_says_who_may_sign_and_who_chosen_may_not(hand: Hand) -> None:
    walk = hand.walk
    battery, line = Place("step", "battery"), Place("step", "line")
    page = hand.page(battery)
    assert "signs payload ▶ Do it" in told(page)
    assert "payload (2 Omar Example, 3 Lena Example): your number, then Enter: confirm" in told(page)
    assert "Noah Example may not confirm this: payload (2 Omar" in told(hand.page(battery, selected="noah"))
    assert "Lena Example: Enter to confirm, Escape" in told(hand.page(battery, selected="lena"))
    assert "signs payload; may be waived by director" in told(hand.page(line))
    assert "signs anybody on the crew" in told(hand.page(Place("step", "spare")))
    walk.confirm("battery", "omar", "8.1 V")
    walk.found("line", margin(3.0))
    sign = "payload (2 Omar Example, 3 Lena Example): your number, then Enter signs this finding"
    assert sign in told(hand.page(line))
    filled(walk, PASSPHRASE)
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    lift = hand.page()
    assert "signs payload; witness: a second person" in told(lift)
    assert "A second person: number, then Enter: witness" in told(lift)
    own = told(hand.page(selected="omar"))
    assert "Omar Example did this step and can't witness it: somebody else does" in own


def test_why_a_record_is_closed_is_filled_in_only_where_it_is_true(hand: Hand) -> None:
    walk = hand.walk

    def why() -> tuple[str, bool]:
        reason = of_count.close(hand.view).by_key["reason"]
        return reason.initial, reason.settled

    assert why() == ("", False)
    ready_to_release(walk)
    assert why() == ("", False)
    polled(walk, "release")
    walk.authorise("release", "ines", PASSPHRASE)
    assert why() == ("release decision", True)
    walk.release("omar", released_at=hand.clock.at)
    assert why() == ("", False)  # tracking lies ahead
    walk.confirm("call", "omar", "answered")
    walk.complete("tracking", "omar")
    assert why() == ("what follows the release is done", True)


def test_others_are_asked_to_seal_where_others_may(stage: Stage) -> None:
    alone = of_count.close(Hand(stage).view)
    assert "also" not in alone.by_key
    assert "May seal: 1 Ines Example." in alone.about
    stage.checklist = stage.checklist.replace('seal_by = ["director"]', 'seal_by = ["director", "payload"]')
    several = of_count.close(Hand(stage).view)
    assert "also" in several.by_key
    assert "May seal: 1 Ines Example, 2 Omar Example, 3 Lena Example." in several.about


def test_a_role_that_nobody_holds_is_told_where_it_would_sign(stage: Stage) -> None:
    spare = 'id = "spare"\nsigned_by = ["safety"]\n'
    stage.checklist = stage.checklist.replace('id = "spare"\n', spare).replace(
        'stations = ["director", "payload"]', 'stations = ["director", "payload"]\nroles = ["safety"]'
    )
    assert "safety (nobody on the roster): your number" in told(Hand(stage).page(Place("step", "spare")))


def test_what_stands_between_here_and_go_is_in_the_order_of_its_weight(hand: Hand) -> None:
    walk = hand.walk
    walk.confirm("battery", "omar", "8.1 V")
    walk.found("line", margin(1.5))
    walk.hold("gust", "omar")

    def order() -> list[str]:
        gate = hand.view.state.gate
        assert gate is not None
        return [reason.step or reason.phase or "hold" for reason in gate.reasons]

    # What is no-go, then the hold, then what is open as the walk goes on, then phases not called complete.
    assert order() == ["line", "hold", "logger", "power-up"]
    walk.refuse("battery", "omar", "swollen")
    assert order() == ["battery", "line", "hold", "logger", "power-up"]
    walk.confirm("battery", "omar", "8.2 V")
    walk.lift(hand.view.state.holds[0].ref, "omar", "calm")
    walk.found("line", margin(3.0))
    assert order() == ["logger", "line", "power-up"]


def test_a_no_go_entered_by_hand_never_shows_what_a_response_seen_means(hand: Hand) -> None:
    place = Place("step", "battery")

    def in_full() -> str:
        return told([line.plain for line in pages.in_full(Scene(hand.view, Extra(), place))[1]])

    hand.walk.refuse("battery", "omar", "swollen")
    for shown in (told(hand.page(place)), in_full()):
        assert "swollen" in shown
        assert "Omar Example 07:00:00Z entered no-go" in shown
        assert "saw the response" not in shown
    assert "confirm 2031-03-09 07:00:00Z Omar Example entered no-go" in in_full()
    hand.walk.confirm("battery", "omar", "Latched")
    assert "confirm 2031-03-09 07:00:00Z Omar Example “I did this and saw the response”" in in_full()


def test_a_phase_to_be_called_complete_shows_whole_challenges_beside_short_marks(hand: Hand) -> None:
    lines = hand.page(Place("complete", "fill"))
    assert "   ○ OPEN  Neck lift on the scale" in lines


def test_the_next_act_names_who_unlocks_first_where_nobody_who_can_do_it_has(hand: Hand) -> None:
    def prompt(place: Place, *unlocked: str) -> str:
        scene = Scene(replace(hand.view, unlocked=unlocked), Extra(), place)
        return told([line.plain for line in prompt_lines(scene, 80)])

    first = "▶ Omar Example (2) or Lena Example (3) unlocks first: their number. Then: "
    battery, neck_lift = Place("step", "battery"), Place("step", "neck-lift")
    assert prompt(battery, "ines").startswith(f"{first}Do it, see the response")
    assert prompt(battery, "lena").startswith("▶ Do it, see the response")
    assert prompt(neck_lift, "ines").startswith(f"{first}Enter opens the measurement")
    filled(hand.walk, PASSPHRASE)
    alone = "▶ Ines Example (1) unlocks first: 1. Then: "
    assert prompt(POLL, "omar").startswith(f"{alone}Enter asks the next station")
    assert prompt(Place("authorise", "release"), "omar").startswith(alone)
    hand.walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    # A witness is anybody else; where that would be many, only so much is said.
    others = "▶ Ines Example (1), Lena Example (3) or Noah Example (4) unlocks first: their number. Then: "
    assert prompt(neck_lift, "omar").startswith(others)
    spare = Place("step", "spare")
    assert prompt(spare).startswith("▶ Somebody unlocks first: u. Then: Do it, see")
    walk = hand.walk
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    walk.witness("neck-lift", "lena")
    walk.confirm("gust", "omar", "4 m/s")
    walk.defer("notice", "ines", {"reference": "A-12"}, granted=True)
    assert place_of(hand.view.state.next) == spare
    assert prompt(spare, "noah").endswith("confirm → goes past it")


def test_a_phase_that_is_open_again_has_not_the_mark_of_a_complete_one(hand: Hand) -> None:
    def drawn() -> tuple[str, list[str]]:
        scene = Scene(hand.view, Extra(), place_of(hand.view.state.next))
        return phases_line(scene, 160).plain, [line.plain.strip() for line in step_lines(scene, 40)[0]]

    strip, steps = drawn()
    # What does not apply is no step done: nothing is before anything was.
    assert "○Power-up 0/3" in strip
    assert "○ Power-up 0/3" in steps
    filled(hand.walk, PASSPHRASE)
    hand.walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    hand.walk.witness("neck-lift", "lena")
    # What was measured is called as its form calls it, and its value is whole.
    measured = hand.page(Place("step", "neck-lift"))
    assert "reading neck lift 1.61 kg" in told(measured)
    assert hand.page()[0].endswith("neck lift 1.61 kg")
    strip, steps = drawn()
    assert "●Power-up 3/3 ╟fill authorised╢" in strip
    assert "● Power-up 3/3" in steps
    hand.walk.power("lead pulled", "omar")
    strip, steps = drawn()
    assert "△Power-up 2/3" in strip
    assert "△ Power-up 2/3 open again" in steps
    scene = Scene(hand.view, Extra(), place_of(hand.view.state.next))
    narrow = [line.plain.strip() for line in step_lines(scene, 22)[0]]
    assert "△ Pow… 2/3 open again" in narrow
    assert "phase △ open again, 2 of 3 steps done" in told(hand.page(Place("complete", "power-up")))
    # Where the crew stands it is told what comes first, behind an arrow's words of two lines too.
    arrow = "Enter: confirm 1 step stale: . goes to logger"
    assert arrow in told(hand.page(Place("step", "gust")))
    hand.walk.found("line", margin(1.0))
    assert "■Power-up" in drawn()[0]
