"""Which acts the walk takes at which place, and that every other one is refused and leaves no entry."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
from small_flight import PASSPHRASE, START, Crew, go, margin

from preflight.errors import PreflightError, Refused
from preflight.record import kinds
from preflight.record.kinds import Bound
from preflight.walk import rules
from preflight.walk.acts import Walk
from preflight.walk.ledger import Ref
from preflight.walk.state import Next

Place = Callable[[Crew], Walk]
Act = Callable[[Walk, Crew], object]


def opened(crew: Crew) -> Walk:
    return crew.begin()


def ready_to_fill(crew: Crew) -> Walk:
    return crew.ready_to_fill(crew.begin())


def filled(crew: Crew) -> Walk:
    return crew.filled(crew.begin())


def lifted(crew: Crew) -> Walk:
    walk = filled(crew)
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    return walk


def ready_to_release(crew: Crew) -> Walk:
    return crew.ready_to_release(crew.begin())


def authorised(crew: Crew) -> Walk:
    return crew.authorised(crew.begin())


def held(crew: Crew) -> Walk:
    walk = ready_to_release(crew)
    walk.hold("aircraft overhead", "omar")
    crew.polled(walk, "release")
    return walk


def scrubbed(crew: Crew) -> Walk:
    walk = ready_to_fill(crew)
    walk.scrub("ines", "wind above limits")
    return walk


def closed(crew: Crew) -> Walk:
    walk = authorised(crew)
    walk.close("ines", PASSPHRASE, reason="release decision")
    return walk


def gone(crew: Crew) -> Walk:
    walk = authorised(crew)
    walk.release("ines", released_at=START)
    return walk


def waivable(crew: Crew) -> Walk:
    walk = opened(crew)
    walk.found("line", margin(1.4))
    return walk


def waive(step: str, person: str, **more: object) -> Act:
    settings: dict[str, object] = {"reason": "short", "expires": START + timedelta(hours=1), **more}
    return lambda walk, _: walk.waive(step, person, PASSPHRASE, **settings)


def forged(kind: str, data: object, signer: str, auth: str) -> Act:
    """An act offered to the rules with a signer or a way of authenticating that no method would give it."""
    return lambda walk, _: rules.allow(
        walk.ledger, rules.Ask(kind, data, signer, auth, walk.now(), walk.recorder.rec)
    )


CONFIRM_BATTERY = kinds.ConfirmData(step="battery", outcome="go", response="", reason="", reads=())
HOLD = kinds.HoldData(reason="wind", claimed=None)


def refused_battery(crew: Crew) -> Walk:
    walk = opened(crew)
    walk.refuse("battery", "omar", "swollen cell")
    return walk


def locked(walk: Walk) -> Walk:
    walk.keyring.lock_all()
    return walk


REFUSED: list[tuple[str, Place, Act, str]] = [
    (
        "confirm a step of another role",
        opened,
        lambda w, _: w.confirm("battery", "ines"),
        "signed by payload",
    ),
    ("confirm a check step", opened, lambda w, _: w.confirm("logger", "omar"), "check step"),
    ("confirm a step that is not there", opened, lambda w, _: w.confirm("ghost", "omar"), "no step"),
    ("run another check than asked", opened, lambda w, _: w.found("line", go("card-space")), "link-margin"),
    (
        "check before its predecessor",
        opened,
        lambda w, _: w.found("logger", go("logger-response")),
        "battery",
    ),
    ("sign without a finding", opened, lambda w, _: w.sign("line", "omar"), "no finding"),
    ("sign a no-go", waivable, lambda w, _: w.sign("line", "omar"), "no-go"),
    ("sign a confirmation twice", ready_to_fill, lambda w, _: w.sign("battery", "omar"), "already"),
    ("sign a check twice", ready_to_fill, lambda w, _: w.sign("line", "omar"), "signed already"),
    ("no-go without a reason", opened, lambda w, _: w.refuse("battery", "omar", " "), "reason"),
    (
        "not applicable without a reason",
        opened,
        lambda w, _: w.not_applicable("battery", "omar", ""),
        "reason",
    ),
    ("witness what needs none", ready_to_fill, lambda w, _: w.witness("battery", "lena"), "no witness"),
    ("witness oneself", lifted, lambda w, _: w.witness("neck-lift", "omar"), "another person"),
    ("measure too few values", filled, lambda w, _: w.measure("neck-lift", "omar", [1.6], (None, None)), "3"),
    (
        "measure a confirm step",
        filled,
        lambda w, _: w.measure("gust", "omar", [1.6], (None, None)),
        "measures",
    ),
    ("a step of a gate not passed", ready_to_fill, lambda w, _: w.confirm("gust", "omar"), "fill gate"),
    (
        "a step after release, before it",
        ready_to_release,
        lambda w, _: w.confirm("call", "omar"),
        "release gate",
    ),
    (
        "a deferral without its answer",
        filled,
        lambda w, _: w.defer("notice", "ines", {}, granted=True),
        "reference",
    ),
    ("complete an open phase", opened, lambda w, _: w.complete("power-up", "omar"), "not complete: battery"),
    ("complete a phase that is not there", opened, lambda w, _: w.complete("ghost", "omar"), "no phase"),
    ("begin a phase behind a gate", opened, lambda w, _: w.begin("fill", "omar", "in a hurry"), "fill gate"),
    ("waive without waive_by", refused_battery, waive("battery", "ines"), "can't be waived"),
    ("waive without the role", waivable, waive("line", "omar"), "role director"),
    ("waive a go", ready_to_fill, waive("line", "ines"), "not no-go"),
    ("waive what is open", opened, waive("line", "ines"), "no finding"),
    ("waive into the past", waivable, waive("line", "ines", expires=START), "passed already"),
    (
        "waive with a bound on another reading",
        waivable,
        waive("line", "ines", bound=Bound(name="card.free", at_least="1", at_most=None)),
        "card.free",
    ),
    (
        "waive with a bound without a number",
        waivable,
        waive("line", "ines", bound=Bound(name="link.margin", at_least=None, at_most=None)),
        "number",
    ),
    (
        "waive without the passphrase asked again",
        waivable,
        lambda w, _: w.waive("line", "ines", "wrong", reason="x", expires=START + timedelta(hours=1)),
        "passphrase",
    ),
    ("authorise on hold", held, lambda w, _: w.authorise("release", "ines", PASSPHRASE), "verdict is hold"),
    (
        "authorise on open steps",
        opened,
        lambda w, _: w.authorise("fill", "ines", PASSPHRASE),
        "verdict is hold",
    ),
    (
        "authorise on no-go",
        waivable,
        lambda w, _: w.authorise("fill", "ines", PASSPHRASE),
        "verdict is no-go",
    ),
    ("authorise unpolled", ready_to_fill, lambda w, _: w.authorise("fill", "ines", PASSPHRASE), "Not polled"),
    (
        "authorise without the role",
        ready_to_fill,
        lambda w, _: w.authorise("fill", "omar", PASSPHRASE),
        "role director",
    ),
    ("authorise twice", filled, lambda w, _: w.authorise("fill", "ines", PASSPHRASE), "already"),
    (
        "authorise release first",
        ready_to_fill,
        lambda w, _: w.authorise("release", "ines", PASSPHRASE),
        "fill gate",
    ),
    (
        "answer for another station",
        opened,
        lambda w, _: w.poll("fill", "director", "omar", go=True),
        "role director",
    ),
    ("answer for no station", opened, lambda w, _: w.poll("fill", "cook", "omar", go=True), "no station"),
    ("lift what does not stand", opened, lambda w, _: w.lift(Ref(w.recorder.rec, 1), "ines", "x"), "No hold"),
    (
        "lift another's hold",
        held,
        lambda w, _: w.lift(next(iter(w.ledger.holds)), "lena", "x"),
        "role director",
    ),
    ("scrub without the role", opened, lambda w, _: w.scrub("omar", "rain"), "role director"),
    ("scrub after release", gone, lambda w, _: w.scrub("ines", "late"), "has left"),
    ("release twice", gone, lambda w, _: w.release("ines", released_at=START), "already"),
    (
        "release off go without a word",
        opened,
        lambda w, _: w.release("ines", released_at=START),
        "without go",
    ),
    ("a step from before, after release", gone, lambda w, _: w.confirm("battery", "omar"), "has left"),
    ("a confirmation after the scrub", scrubbed, lambda w, _: w.confirm("battery", "omar"), "scrubbed"),
    ("a poll after the scrub", scrubbed, lambda w, _: w.poll("fill", "payload", "omar", go=True), "scrubbed"),
    (
        "close without the role",
        ready_to_fill,
        lambda w, _: w.close("omar", PASSPHRASE, reason="x"),
        "role director",
    ),
    (
        "close with a sealer who can't",
        ready_to_fill,
        lambda w, _: w.close("ines", PASSPHRASE, reason="x", sealers=["omar"]),
        "can't seal",
    ),
    ("a confirmation after close", closed, lambda w, _: w.confirm("gust", "omar"), "closed"),
    ("a hold after close", closed, lambda w, _: w.hold("late", "ines"), "closed"),
    ("a finding after close", closed, lambda w, _: w.found("line", margin(3.0)), "closed"),
    ("a second close", closed, lambda w, _: w.close("ines", PASSPHRASE, reason="again"), "closed"),
    (
        "correct an opening",
        opened,
        lambda w, _: w.correct(Ref(w.recorder.rec, 1), "ines", "x"),
        "can be corrected",
    ),
    (
        "correct another's entry",
        ready_to_fill,
        lambda w, _: w.correct(Ref(w.recorder.rec, 2), "lena", "x"),
        "who signed",
    ),
    (
        "replan an unknown key",
        opened,
        lambda w, _: w.replan({"link.bauds": "9600"}, "omar", "x"),
        "link.baud",
    ),
    (
        "replan to nonsense",
        opened,
        lambda w, _: w.replan({"balloon.neck_lift": "1,7 stone"}, "omar", "x"),
        "neck_lift",
    ),
    ("an unlocked key is needed", opened, lambda w, _: locked(w).confirm("battery", "omar"), "unlocked"),
    (
        "the instrument confirms",
        opened,
        forged("confirm", CONFIRM_BATTERY, "laptop", "instrument"),
        "person must",
    ),
    ("the instrument with a person's key", opened, forged("hold", HOLD, "omar", "instrument"), "own|alone"),
    (
        "a person with the instrument's key",
        opened,
        forged("confirm", CONFIRM_BATTERY, "laptop", "selected"),
        "alone",
    ),
    ("a stranger", opened, forged("confirm", CONFIRM_BATTERY, "zoe", "selected"), "not on the roster"),
    (
        "a person signs a check's finding as the instrument's",
        opened,
        forged(
            "check",
            kinds.CheckData(
                step="line",
                check="link-margin",
                outcome="go",
                readings=(),
                remarks=(),
                evidence=(),
                reads=(),
                seconds="0",
            ),
            "omar",
            "selected",
        ),
        "instrument",
    ),
    (
        "authorise without asking again",
        ready_to_fill,
        forged("authorise", kinds.AuthoriseData(gate="fill", verdict="go"), "ines", "selected"),
        "asked for again",
    ),
]


@pytest.mark.parametrize(
    ("place", "act", "said"), [pytest.param(p, a, s, id=name) for name, p, a, s in REFUSED]
)
def test_an_illegal_act_is_refused_and_leaves_no_entry(crew: Crew, place: Place, act: Act, said: str) -> None:
    walk = place(crew)
    before = (walk.recorder.folder / "record.jsonl").read_bytes()
    with pytest.raises(PreflightError, match=said):
        act(walk, crew)
    assert (walk.recorder.folder / "record.jsonl").read_bytes() == before


def test_a_whole_walk_to_the_authorised_release(crew: Crew) -> None:
    walk = crew.begin()
    assert walk.state().next == next_step("battery")
    crew.ready_to_fill(walk)
    assert walk.state().gates["fill"].verdict == "go"
    assert walk.state().next.kind == "poll"
    crew.polled(walk, "fill")
    assert walk.state().next.kind == "authorise"
    walk.authorise("fill", "ines", PASSPHRASE)
    assert walk.state().next == next_step("neck-lift")


def next_step(name: str) -> object:
    from preflight.walk.state import Next

    return Next("step", name)


def test_a_phase_that_was_never_completed_holds(crew: Crew) -> None:
    walk = crew.powered(crew.begin())
    walk.found("logger", go("logger-response"))
    walk.sign("logger", "omar")
    walk.found("line", margin(3.0))
    walk.sign("line", "omar")
    gate = walk.state().gates["fill"]
    assert gate.verdict == "hold"
    assert [reason.phase for reason in gate.reasons] == ["power-up"]


def test_later_phases_do_not_count_for_the_fill_gate(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    state = walk.state()
    assert (state.gates["fill"].verdict, state.gates["release"].verdict) == ("go", "hold")


def test_optional_steps_count_for_no_verdict(crew: Crew) -> None:
    walk = crew.ready_to_release(crew.begin())
    assert walk.state().steps["spare"].outcome == "open"
    assert walk.state().gates["release"].verdict == "go"


def test_an_optional_step_is_offered_in_its_place_and_once_more_at_the_end(crew: Crew) -> None:
    text = crew.sources.checklist.decode()
    optional = 'signed_by = ["payload"]\nrequired = false\n'
    for step in ("battery", "line"):
        signed = rf'(id = "{step}"\n(?:.*\n)*?)signed_by = \["payload"\]\n'
        text = re.sub(signed, rf"\1{optional}", text, count=1)
    crew.sources = replace(crew.sources, checklist=text.replace('after = ["battery"]\n', "").encode())
    walk = crew.begin()

    def due() -> str:
        return walk.state().next.name

    assert due() == "battery"
    walk.found("logger", go("logger-response"))  # gone past: what is required goes on meanwhile
    assert due() == "logger"
    walk.sign("logger", "omar")
    assert due() == "line"
    walk.found("line", margin(3.0))
    assert due() == "line"  # it waits for its signature
    walk.sign("line", "omar")
    assert due() == "battery"
    walk.confirm("battery", "omar", "8.1 V")
    assert walk.state().next == Next("complete", "power-up")


def test_a_hold_stops_the_count_and_its_lift_asks_the_stations_again(crew: Crew) -> None:
    walk = crew.authorised(crew.begin())
    assert walk.state().gates["release"].authorised is not None
    hold = walk.hold("aircraft overhead", "omar")
    assert walk.state().gates["release"].verdict == "hold"
    walk.lift(hold.ref, "omar", "it has passed")
    gate = walk.state().gates["release"]
    assert gate.verdict == "go"
    assert gate.authorised is None
    assert list(gate.polled.values()) == [None, None]


def test_a_hold_claimed_before_anybody_unlocked_is_countersigned(crew: Crew) -> None:
    walk = crew.begin()
    hold = walk.hold("hose torn", claimed="omar")
    assert walk.state().gates["fill"].verdict == "hold"
    with pytest.raises(Refused, match="omar"):
        walk.countersign(hold.ref, "lena")
    walk.countersign(hold.ref, "omar")
    walk.lift(hold.ref, "omar", "mended")
    assert not walk.state().holds


def test_a_stations_no_go_holds_the_count(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    walk.poll("fill", "director", "ines", go=True)
    walk.poll("fill", "payload", "omar", go=False, remark="lead loose")
    state = walk.state()
    assert state.gates["fill"].verdict == "hold"
    assert "lead loose" in state.holds[0].data.reason


def test_a_phase_begun_out_of_order_names_what_it_passes(crew: Crew) -> None:
    from dataclasses import replace

    text = crew.sources.checklist.replace(b'gate = "release"', b'gate = "fill"')
    crew.sources = replace(crew.sources, checklist=text)
    walk = crew.begin()
    with pytest.raises(Refused, match="not called complete"):
        walk.confirm("gust", "omar", "4 m/s")
    act = walk.begin("fill", "omar", "the gas van leaves at eight")
    assert act.data.passed == ("battery", "logger", "line")
    walk.confirm("gust", "omar", "4 m/s")
    assert walk.state().gates["fill"].verdict == "hold"


def test_a_release_without_go_is_recorded_on_any_verdict(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    walk.release("omar", released_at=START, reason="gust tore it loose")
    state = walk.state()
    assert state.released_without_go
    assert state.released is not None
    assert state.released.data.verdict == "hold"


def test_what_counted_for_the_release_does_not_turn_stale_after_it(crew: Crew) -> None:
    walk = crew.authorised(crew.begin())
    walk.release("ines", released_at=START)
    crew.clock.forward(hours=5)
    walk.power("payload switched off after recovery", "omar")
    state = walk.state()
    assert state.steps["gust"].outcome == "go"
    assert state.steps["logger"].outcome == "go"
    assert not state.released_without_go
    walk.confirm("call", "omar", "answered 09:02")
    assert walk.state().steps["call"].outcome == "go"


def test_a_hold_after_the_release_changes_no_gate_that_was_passed(crew: Crew) -> None:
    walk = gone(crew)
    walk.hold("tracking car has no fuel", "omar")
    state = walk.state()
    assert state.gates["release"].verdict == "go"
    assert state.gates["release"].authorised is not None
    assert state.holds
