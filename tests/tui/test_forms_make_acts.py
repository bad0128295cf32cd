"""Forms without a screen: what is typed becomes an act on a real walk, or says what to type."""

from __future__ import annotations

import re
from dataclasses import replace

import msgspec
import pytest
from screen_driving import PASSPHRASE, Stage
from screen_hand import Hand
from small_flight import go, margin, polled, ready_to_fill

from preflight.errors import PreflightError, Refused
from preflight.readings import Finding, Reading
from preflight.record.roster import Roster
from preflight.tui.forms import of_answer, of_correction, of_count, of_earlier, of_plan, of_release, of_step
from preflight.tui.forms.form import NO_PEOPLE, NOBODY, Form, Missing, explain, who
from preflight.tui.places import HELD, Place, ordinary
from preflight.tui.trial import refusal


def filled(hand: Hand) -> None:
    ready_to_fill(hand.walk)
    for station, number in (("director", "1"), ("payload", "2")):
        gate = hand.view.state.gates["fill"]
        hand.fill(of_count.poll(hand.view, gate), station=station, answer="go", who=number)
    hand.fill(of_count.authorise(hand.view, hand.view.state.gates["fill"]), who="1", passphrase=PASSPHRASE)


def test_no_go_and_not_applicable_need_a_reason(hand: Hand) -> None:
    with pytest.raises(Missing, match="what is wrong"):
        hand.fill(of_step.refuse(hand.step("battery")), who="2")
    hand.fill(of_step.refuse(hand.step("battery")), reason="swollen", who="2")
    assert (hand.last.kind, hand.last.data.outcome, hand.last.data.reason) == ("confirm", "no-go", "swollen")
    filled_in = of_step.not_applicable(hand.step("logger"))
    with pytest.raises(Refused, match="comes before"):
        hand.fill(filled_in, reason="no logger flies", who="2")
    hand.walk.confirm("battery", "omar", "8.1 V")
    hand.fill(filled_in, reason="no logger flies", who="2")
    assert hand.step("logger").outcome == "not-applicable"


def test_what_was_seen_is_entered_in_the_crews_words(hand: Hand) -> None:
    form = of_step.seen(hand.step("battery"))
    assert form.by_key["response"].initial == "Latched, 8.1 V"
    assert form.about == ("Battery lead", "Expected: Latched, 8.1 V")  # which is typed over in its field
    assert of_step.seen(hand.step("call")).about[1] == "Expected: Answered 09:02"
    hand.fill(form, response="Latched, 8.3 V", who="2")
    assert hand.last.data.response == "Latched, 8.3 V"


def test_what_only_the_crew_can_say_is_asked_for_and_not_filled_in(stage: Stage) -> None:
    stage.checklist = stage.checklist.replace('response = "Latched, 8.1 V"', 'response = "Volts"\nsay = true')
    hand = Hand(stage)
    battery = Place("step", "battery")
    assert hand.page()[-1] == " ▶ Do it, then Enter: say what was seen"
    assert ordinary(hand.view.state, battery).does == "say"
    form = of_step.seen(hand.step("battery"))
    assert "Expected: Volts" in form.about
    with pytest.raises(Missing, match="seen: nothing is typed yet"):
        hand.fill(form, who="2")
    hand.fill(form, response="8.1 V", who="2")
    assert (hand.last.data.response, hand.step("battery").outcome) == ("8.1 V", "go")


def test_a_measurement_takes_decimal_commas_and_shows_its_limits(hand: Hand) -> None:
    filled(hand)
    form = of_step.measure(hand.view, hand.extra, hand.step("neck-lift"))
    assert explain(hand.view, form.by_key["value1"], "") == "limits 1.4 to 1.9 kg, declared 1.6 kg"
    assert explain(hand.view, form.by_key["value1"], "1,95").startswith("= 1.95 kg, outside 1.4 to 1.9 kg")
    slip = explain(hand.view, form.by_key["value1"], "16")
    assert slip.endswith("10 times what is declared: look again (declared 1.6 kg)")
    with pytest.raises(Missing, match=r"neck lift: .* out of range"):
        form.judge(hand.view, "value1", {"value1": "86000"})
    with pytest.raises(Missing, match="not a number"):
        hand.fill(form, value1="1.6", value2="1,6e3", value3="1.6", who="2")
    hand.fill(form, value1="1,65", value2="1.66", value3=" 1,67 ", who="2")
    assert hand.last.data.values == ("1.65", "1.66", "1.67")
    assert explain(hand.view, form.by_key["value1"], "1,6").startswith("= 1.6 kg, limits 1.4 to 1.9 kg")
    # Whoever reads it for themselves, or copies it from paper, sees its limits and what was declared, and
    # nothing of what the first person read.
    again = of_step.measure(hand.view, hand.extra, hand.step("neck-lift"))
    paper = of_earlier.paper(
        hand.view, hand.step("neck-lift"), hand.extra.limits_of(hand.step("neck-lift").step)
    )
    witness = of_step.witness(hand.view, hand.extra, hand.step("neck-lift"))
    for own in (witness.by_key["value"], paper.by_key["value2"], again.by_key["value1"]):
        assert explain(hand.view, own, "") == "limits 1.4 to 1.9 kg, declared 1.6 kg"
        assert "1.66" not in repr((own.initial, own.declared, own.limits))
    assert not any("1.66" in line for line in witness.about)
    assert paper.about[1] == again.about[1] == "3 values, at most 50 g apart; their mean counts"
    second = paper.by_key["second"].beside({"who": "2"})
    assert explain(hand.view, second, "") == "1 Ines Example, 3 Lena Example or 4 Noah Example may sign"
    assert explain(hand.view, second, "2").endswith("somebody else has to")
    hand.fill(witness, value="1,68", mode="ind", who="3")
    assert (hand.last.data.mode, hand.last.data.values) == ("independent", ("1.68",))
    assert hand.step("neck-lift").outcome == "go"


def test_an_answer_is_asked_what_its_step_lists_and_whether_it_was_granted(hand: Hand) -> None:
    filled(hand)
    form = of_answer.defer(hand.view, hand.step("notice"))
    assert [field.label for field in form.fields] == [
        "reference",
        "the answer",
        "conditions, or why not",
        "signed by (number)",
    ]
    with pytest.raises(Missing, match="the answer: nothing is typed"):
        hand.fill(form, answer0="A-12", who="1")
    with pytest.raises(Missing):
        hand.fill(form, answer0="A-12", granted="gr ref", who="1")
    with pytest.raises(Missing, match="reference: a granted answer has it"):
        hand.fill(form, granted="granted", who="1")
    hand.fill(form, answer0="A-12", granted="g", who="1")
    assert (hand.last.data.valid_from, hand.last.data.valid_until) == (None, None)
    assert hand.step("notice").outcome == "go"
    hand.fill(form, granted="refused", reason="a glider contest", who="1")
    assert (hand.step("notice").outcome, hand.step("notice").reason) == ("no-go", "a glider contest")


def test_a_window_that_is_asked_for_is_nearest_the_planned_release(stage: Stage) -> None:
    listed = 'ask = ["reference", "valid from", "valid until", "conditions"]'
    stage.checklist = stage.checklist.replace('ask = ["reference"]', listed)
    hand = Hand(stage)
    filled(hand)
    form = of_answer.defer(hand.view, hand.step("notice"))
    labels = ["reference", "valid from", "valid until", "conditions", "the answer", "signed by (number)"]
    assert [field.label for field in form.fields] == labels
    typed = {"answer0": "A-12", "answer1": "08:00", "answer2": "10:00Z", "answer3": "none", "who": "1"}
    until = form.by_key["answer2"].tells
    assert until(typed) == until({"answer2": ""}) == until({"answer2": "8"}) == ""
    assert until({"answer2": "08:59Z"}).startswith(
        "before the planned release: this answer does not cover it"
    )
    assert form.by_key["answer1"].tells({"answer1": "09:01Z"}).startswith("after the planned release")
    with pytest.raises(Refused, match="ends before it begins"):
        hand.fill(form, **{**typed, "answer2": "07:30Z"}, granted="granted")
    hand.fill(form, **typed, granted="granted")
    data = hand.last.data
    assert (data.valid_from, data.valid_until) == ("2031-03-09T08:00:00.000Z", "2031-03-09T10:00:00.000Z")
    # What is recorded names the moment, whatever clock it was typed by.
    assert (data.answers["valid until"], data.reason) == ("2031-03-09 10:00Z", "")
    hand.fill(form, **{**typed, "answer1": "Now"}, granted="granted")
    assert (hand.last.data.valid_from, hand.last.data.answers["valid from"]) == (
        "2031-03-09T07:00:00.000Z",
        "2031-03-09 07:00Z",
    )
    hand.fill(form, granted="refused", answer3="after dusk only", who="1")
    assert (hand.step("notice").outcome, hand.step("notice").reason) == ("no-go", "after dusk only")


def test_no_gate_rests_on_an_answer_after_the_release(stage: Stage) -> None:
    told = 'defer = { authority = "the tower", ask = ["told at", "who answered"] }'
    step = f'[[phase.step]]\nid = "told"\nchallenge = "Launch call"\n{told}\nafter = ["call"]\n'
    stage.checklist += step
    hand = Hand(stage)

    def labels(form: Form) -> list[str]:
        return [field.label for field in form.fields]

    asked = ["told at", "who answered", "signed by (number)"]
    early = of_answer.defer(hand.view, hand.step("told"))
    assert (labels(early), early.no_go) == (asked, None)
    assert "gate lies before told" in (refusal(hand.walk, early.trial) or "")
    hand.fill(of_release.release(hand.view, lambda: hand.view), reason="torn loose", who="2")
    form = of_answer.defer(hand.view, hand.step("told"))
    assert labels(form) == asked
    assert not any("release" in line for line in form.about)
    assert "Step call comes before told" in (refusal(hand.walk, form.trial) or "")
    # With nothing to refuse in it, a dialogue that comes too early does not open for a no-go alone.
    assert form.no_go is None
    hand.walk.confirm("call", "omar", "answered 09:02")
    with pytest.raises(Missing, match="who answered: nothing is typed"):
        hand.fill(form, answer0="09:02Z", who="1")
    # When somebody was told is a time, near to now: anything else is told so at its own field.
    assert explain(hand.view, form.by_key["answer0"], "") == "hh:mm local, hh:mmZ or now"
    with pytest.raises(Missing, match="is not a time"):
        form.judge(hand.view, "answer0", {"answer0": "."})
    hand.fill(form, answer0="09:02", answer1="the tower", who="1")
    data = hand.last.data
    assert data.answers == {"told at": "2031-03-09 09:02Z", "who answered": "the tower"}
    assert (data.outcome, data.valid_from, data.valid_until) == ("go", None, None)
    assert hand.step("told").outcome == "go"
    hand.clock.forward(hours=9)
    assert hand.step("told").outcome == "go"


def test_a_waiver_has_a_bound_and_an_expiry_and_asks_for_the_passphrase(hand: Hand) -> None:
    hand.walk.confirm("battery", "omar", "8.1 V")
    hand.walk.found("logger", go("logger-response"))
    hand.walk.sign("logger", "omar")
    hand.walk.found("line", margin(1.5))
    form = of_step.waive(hand.view, hand.step("line"))
    assert "down to" in form.by_key["bound"].label
    typed = {"reason": "short cable", "bound": "1,4", "expires": "+45 min", "who": "1"}
    with pytest.raises(Missing, match="passphrase"):
        hand.fill(form, **typed)
    with pytest.raises(PreflightError, match="not its passphrase"):
        hand.fill(form, **typed, passphrase="guess")
    with pytest.raises(Refused, match="role director"):
        hand.fill(form, **{**typed, "who": "2"}, passphrase=PASSPHRASE)
    # It says which clock a time is of, and what it was taken for; a day that is over is told at once.
    assert of_step.UNTIL in form.about
    assert explain(hand.view, form.by_key["expires"], "") == "hh:mm local, hh:mmZ or +45 min"
    assert (
        explain(hand.view, form.by_key["expires"], "06:30Z") == "= 2031-03-10 06:30Z · 06:30 local, in 23.5 h"
    )
    tells = form.by_key["expires"].tells
    assert tells(typed) == "before the planned release: by then the no-go is back"
    assert tells({"expires": "09:00Z"}) == tells({"expires": ""}) == tells({"expires": "9"}) == ""
    assert form.about[:2] == ("Serial line", "No-go: link.margin 1.5, limit at least 2")
    with pytest.raises(Missing, match="2031-03-08 09:00Z has passed already"):
        form.judge(hand.view, "expires", {"expires": "2031-03-08 09:00Z"})
    hand.fill(form, **typed, passphrase=PASSPHRASE)
    assert (hand.last.data.bound.at_least, hand.last.data.expires) == ("1.4", "2031-03-09T07:45:00.000Z")
    hand.walk.refuse("battery", "omar", "loose")
    with pytest.raises(Refused, match="can't be waived by anybody"):
        of_step.waive(hand.view, hand.step("battery"))


def test_a_no_go_at_a_poll_holds_and_a_hold_is_lifted_by_its_caller(hand: Hand) -> None:
    ready_to_fill(hand.walk)
    gate = hand.view.state.gates["fill"]
    form = of_count.poll(hand.view, gate)
    with pytest.raises(Missing, match="its answer: nothing is typed"):
        hand.fill(form, who="1")  # no answer is assumed
    # Who can sign is narrowed to the station's role, as it is typed.
    poller = form.by_key["who"]
    told = {"direct": "1 Ines Example", "payload": "2 Omar Example or 3 Lena Example"}
    for station, able in told.items():
        assert explain(hand.view, poller.beside({"station": station}), "") == f"{able} may sign"
    assert explain(hand.view, poller.beside({"station": ""}), "4").endswith("role director or payload")
    hand.fill(form, station="payload", answer="n", remark="gust", who="2")
    assert len(hand.view.state.holds) == 1
    hand.walk.hold("cloud", "ines")
    assert of_count.poll(hand.view, gate).warning == f"{HELD}."  # an answer now would not count for long
    lift = of_count.lift(hand.view)
    for chosen, able in (("", "1 Ines Example or 2 Omar Example"), ("2", "1 Ines Example")):
        lifter = lift.by_key["who"].beside({"hold": chosen})
        assert explain(hand.view, lifter, "") == f"{able} may sign"
        assert explain(hand.view, lifter, "3").endswith("payload; somebody else has to")
    with pytest.raises(Refused, match="another person's hold"):
        hand.fill(lift, hold="2", reason="clear", who="2")
    hand.fill(lift, hold="1", reason="gust over", who="2")
    assert [act.data.reason for act in hand.view.state.holds] == ["cloud"]
    with pytest.raises(Refused, match="No hold waits"):
        of_count.countersign(hand.view)


def test_replan_offers_the_release_first_and_checks_any_other_key(hand: Hand) -> None:
    form = of_plan.replan(hand.view)
    assert form.fields[0].initial == ""
    assert form.fields[0].suggest[:2] == ("release", "flight.release")

    def told(**typed: str) -> list[str]:
        blank = dict.fromkeys(form.by_key, "")
        return [form.by_key[key].tells(blank | typed) for key in ("key", "value")]

    assert told() == ["", ""]
    assert told(key="release", value="+90 min") == [
        "planned release, now 2031-03-09 09:00Z · 09:00 local; "
        "new: hh:mm on the site's clock, hh:mmZ in UTC, now or +45 min from now",
        "= 2031-03-09 08:30Z · 08:30 local, in 90 min: 30 min earlier than planned",
    ]
    assert told(key="release", value="2031-03-11 07:00")[1].endswith(
        "local, in 2 days: 46.0 h later than planned"
    )
    now, new = told(key="balloon.neck_lift", value="1.72 kg")
    assert now.startswith("balloon.neck_lift, now 1.6 kg")
    assert new == "= 1.72 kg"
    assert "unknown key" in told(key="balloon.necklift")[0]
    with pytest.raises(Missing, match="what changes"):
        hand.fill(form, value="+90 min", reason="late", who="1")
    hand.fill(form, key="release", value="+90 min", reason="late", who="1")
    assert hand.last.data.sets == {"flight.release": "2031-03-09T08:30:00Z"}
    assert f"{hand.view.state.planned_release:%H:%M}" == "08:30"
    with pytest.raises(PreflightError, match="unknown unit"):
        hand.fill(form, key="balloon.neck_lift", value="1.7 kgg", reason="x", who="1")
    with pytest.raises(PreflightError, match="unknown key"):
        hand.fill(form, key="balloon.necklift", value="1.7 kg", reason="x", who="1")
    hand.fill(form, key="balloon.neck_lift", value="1.7 kg", reason="weighed", who="1")
    assert hand.view.flight.balloon.neck_lift == 1.7


def test_a_phase_begun_out_of_order_names_what_is_passed(stage: Stage) -> None:
    fill = '[[phase]]\nid = "fill"\ntitle = "Fill"\ngate = "release"'
    site = '[[phase]]\nid = "site"\ntitle = "Site"\ngate = "fill"'
    rope = '[[phase.step]]\nid = "rope"\nchallenge = "Rope"'
    stage.checklist = stage.checklist.replace(fill, "\n".join((site, rope, fill)))
    hand = Hand(stage)
    form = of_count.begin_phase(hand.view, "site")
    assert "battery, logger, line" in form.warning
    with pytest.raises(Missing):
        hand.fill(form, who="1")
    hand.fill(form, reason="rain is coming", who="1")
    assert hand.last.data.passed == ("battery", "logger", "line")
    # Of many the first are named, and the others counted.
    rope = "\n".join(f'[[phase.step]]\nid = "a-line-of-rope-{n}"\nchallenge = "Rope"' for n in range(60))
    fill = '[[phase]]\nid = "fill"'
    stage.checklist = stage.checklist.replace(fill, f"{rope}\n{fill}")
    warning = of_count.begin_phase(Hand(stage).view, "fill").warning
    named = warning.removeprefix("Passed and still open: ").split(" and ")[0].split(", ")
    assert named[:4] == ["battery", "logger", "line", "rope"]
    assert warning.endswith(f" and {64 - len(named)} more")
    hand.walk.confirm("rope", "noah", "")
    with pytest.raises(Refused, match="next in order"):
        of_count.begin_phase(hand.view, "power-up")


def test_a_release_off_go_says_what_happened_and_is_never_in_the_future(hand: Hand) -> None:
    form = of_release.release(hand.view, lambda: hand.view)
    assert "without go" in form.warning
    assert (
        form.by_key["at"]
        .tells({"at": "", "reason": ""})
        .startswith("entered as released WITHOUT GO: battery")
    )
    with pytest.raises(Missing, match="what happened"):
        hand.fill(form, who="2")
    for at, fault in (("07:30Z", "still to come"), ("06:58", "the record was opened at 07:00:00Z")):
        with pytest.raises(Missing, match=fault):
            hand.fill(form, at=at, reason="torn loose", who="2")
        with pytest.raises(Missing, match=fault):
            form.judge(hand.view, "at", {"at": at})
    hand.fill(form, at="07:00", reason="torn loose", who="2")
    assert (hand.last.data.released, hand.last.data.with_go) == ("2031-03-09T07:00:00.000Z", False)


def test_a_release_says_as_its_time_is_typed_what_it_will_be_entered_as(hand: Hand) -> None:
    filled(hand)
    walk = hand.walk
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    walk.witness("neck-lift", "lena")
    walk.confirm("gust", "omar", "4 m/s")  # valid for 30 min
    walk.defer("notice", "ines", {"reference": "A-12"}, granted=True)
    walk.complete("fill", "omar")
    polled(walk, "release")
    hand.clock.forward(minutes=20, seconds=30)
    walk.authorise("release", "ines", PASSPHRASE)
    hand.clock.forward(minutes=5)
    form = of_release.release(hand.view, lambda: hand.view)
    assert form.about == ("Authorised at 07:20:30Z.",)

    def said(at: str) -> tuple[str, str]:
        typed = {"at": at, "reason": "", "who": ""}
        return tuple(form.by_key[key].tells(typed) for key in ("at", "reason"))

    good, word = "entered as released with go", of_release.WORD
    assert said("") == said("07:21Z") == (good, "")
    assert said("07:20Z") == (
        "entered as released WITHOUT GO: it was authorised at 07:20:30Z only",
        word,
    )
    assert said("07:40Z")[0].startswith("that is still to come")
    assert said("07:2") == ("", "")
    with pytest.raises(Missing, match=word):
        hand.fill(form, at="07:20Z", who="2")
    # What expires while the dialogue stands changes what it says of now, and nothing of what was before.
    hand.clock.forward(minutes=6)
    assert said("") == (
        "entered as released WITHOUT GO: gust is stale: valid for 30 min only, done 07:00 UTC",
        word,
    )
    assert said("07:29Z") == (good, "")
    # And what is said is what is entered.
    do = form.make(form.answers(hand.view, {"at": "07:29Z", "reason": "", "who": "2"}))
    walk.hold("gust", "omar")
    with pytest.raises(Refused, match="just changed"):
        do(walk)
    assert said("07:29Z") == ("entered as released WITHOUT GO: hold: gust", word)
    hand.fill(form, at="07:29Z", reason="torn loose", who="2")
    assert (hand.last.data.with_go, hand.last.data.released) == (False, "2031-03-09T07:29:00.000Z")


def test_in_the_line_of_an_entry_to_be_corrected_a_name_gives_way_before_its_value(hand: Hand) -> None:
    hand.walk.found("line", margin(1.62))
    measured = Reading(name="payload.package[1].mass", value=0.86, unit="kg", at_most=0.9)
    hand.walk.found("line", Finding(check="link-margin", outcome="go", readings=(measured,)))
    listed = of_correction.correct(hand.view, None).about
    assert any("  line: link-margin found go; package[1].mass 0.86 kg" in each for each in listed)


def test_power_scrub_and_correct(hand: Hand) -> None:
    hand.walk.confirm("battery", "omar", "8.1 V")
    form = of_correction.correct(hand.view, hand.step("battery"))
    assert [field.initial for field in form.fields] == ["", "", ""]
    assert "▸ 2  07:00Z  Omar Example  battery: go; 8.1 V" in form.about
    tells = form.by_key["entry"].tells
    assert tells({"entry": ""}) == ""
    assert tells({"entry": "2"}) == "strikes 2  07:00Z  Omar Example  battery: go; 8.1 V"
    assert "no entry 1 that can be corrected" in tells({"entry": "1"})
    # Who may strike it is told by the entry typed: who signed it, or the director.
    for entry, able in (("2", "1 Ines Example or 2 Omar Example"), ("", "one of 4 people")):
        assert explain(hand.view, form.by_key["who"].beside({"entry": entry}), "") == f"{able} may sign"
    with pytest.raises(Missing, match="no entry 1"):
        hand.fill(form, entry="1", reason="wrong pack", who="2")
    hand.fill(form, entry="2", reason="wrong pack", who="2")
    assert hand.step("battery").outcome == "open"
    with pytest.raises(Refused, match="No entry stands"):
        of_correction.correct(hand.view, None)
    hand.fill(of_count.power(hand.view), detail="lead came off", who="2")
    assert hand.last.kind == "power"
    with pytest.raises(Refused):
        hand.fill(of_count.scrub(hand.view), reason="wind", who="2")
    hand.fill(of_count.scrub(hand.view), reason="wind", who="1")
    assert hand.view.state.scrubbed is not None


def test_who_is_locked_or_nobody_is_told(hand: Hand) -> None:
    form = of_step.refuse(hand.step("battery"))
    with pytest.raises(Missing, match="no person number 7"):
        hand.fill(form, reason="x", who="7")
    hand.keyring.lock("omar")
    with pytest.raises(Missing, match="Omar Example's key is locked"):
        hand.fill(form, reason="x", who="2")
    assert "payload" in explain(hand.view, form.by_key["who"], "3")
    assert of_count.other_sealers(hand.view, " 1, 3") == ("ines", "lena")
    with pytest.raises(Missing, match="no person number 9"):
        of_count.other_sealers(hand.view, "9")
    drone = who("drone")
    assert explain(hand.view, drone, "") == "nobody on the roster (drone) may sign"
    # Where nobody has a number it says what to do: unlock a key, or put people on the roster.
    laptop = hand.view.book.roster.find("laptop")
    omar = hand.view.book.roster.find("omar")
    crowd = [msgspec.structs.replace(omar, id=f"omar{n}", key=bytes([n]) * 32) for n in range(10)]
    for people, told in ((crowd, NOBODY), ([], NO_PEOPLE)):
        book = replace(hand.view.book, roster=Roster([*people, laptop]))
        with pytest.raises(Missing, match=re.escape(f"There is no person number 2. {told}")):
            form.judge(replace(hand.view, book=book, unlocked=()), "who", {"who": "2"})


def test_what_nobody_could_do_now_is_refused_before_anything_is_asked(hand: Hand) -> None:
    def refused(form: Form) -> str | None:
        assert form.trial is not None
        return refusal(hand.walk, form.trial, form.instead)

    entries = len(hand.walk.recorder.entries)
    gate = hand.view.state.gates["fill"]
    verdict = "The verdict is hold: battery is not done yet. j goes to what is left to do."
    assert refused(of_count.authorise(hand.view, gate)) == verdict
    early = of_step.measure(hand.view, hand.extra, hand.step("neck-lift"))
    assert "gate lies before neck-lift" in refused(early)
    assert refusal(hand.walk, early.no_go) is None  # what is no-go is never too early
    assert "comes before" in refused(of_step.not_applicable(hand.step("logger")))
    for person in ("ines", "lena", "noah"):
        hand.keyring.lock(person)
    for form in (of_step.refuse(hand.step("battery")), of_step.seen(hand.step("battery"))):
        assert refused(form) is None
    assert refused(of_count.authorise(hand.view, gate)) == verdict  # what stands against it comes first
    scrub = of_count.scrub(hand.view)
    assert refused(scrub) == "It takes an unlocked key of Ines Example (1): 1 unlocks."
    hand.keyring.unlock("ines", PASSPHRASE)
    assert refused(scrub) is None
    assert len(hand.walk.recorder.entries) == entries
    # Once the record is closed, an act that begins the one that follows is tried without one.
    hand.walk.close("ines", PASSPHRASE, reason="release decision")
    assert refused(scrub) is None
    assert refused(of_step.refuse(hand.step("battery"))) is None
    hand.keyring.lock_all()
    assert refused(scrub) == NOBODY


def test_who_was_chosen_before_a_dialogue_signs_in_it_if_they_may(hand: Hand) -> None:
    form = of_step.not_applicable(hand.step("logger"))
    assert form.chosen(hand.view, "omar").by_key["who"].initial == "2"
    assert form.chosen(hand.view, "ines") is form  # not their role
    assert form.chosen(hand.view, None) is form
    unlocking = of_count.unlock(hand.view, "ines")
    assert unlocking.chosen(hand.view, "omar") is unlocking
