"""The shipped checklists against the guidelines: lengths, words, values, cautions, late looks, roles.

Guidelines: Degani and Wiener, "Human Factors of Flight-Deck Checklists", NASA CR-177549 (1990), and the WHO
surgical safety checklist, from memory.
"""

import re
import tomllib

import pytest
from msgspec.structs import replace

from preflight.checks import table
from preflight.config.advice import FEWEST, LONGEST, MOST, advise
from preflight.config.checklist import Checklist, Step, asks_time
from preflight.config.flight import Flight
from preflight.config.lint import lint
from preflight.config.load import flattened_checklist, load_checklist, load_flight, parse_checklist
from preflight.config.shipped import shipped_file, shipped_folder

LISTS = ("latex-flight.toml", "student-launch.toml", "hydrogen-fill.toml", "recovery.toml")
WHOLE = LISTS[:2]

# What flights are lost by, and the steps that look at it.
LOST_BY = {
    "payload off and logger silent": "logger-silent",
    "then on and answering": "logger-replies",
    "the test log": "test-log-read",
    "card back in and latched": "card-in-logger",
    "logging indicator seen": "logging-seen",
    "beacon heard with the box closed": "beacon-heard-closed",
    "neck lift three times in a lull": "neck-lift",
    "payload weighed": "payload-weighed",
    "parachute weighed": "parachute-weighed",
    "surface wind": "wind-at-release",
    "gust": "gust-at-release",
    "receiver mode": "receiver-mode",
    "keep-out areas": "landing-on-the-map",
    "the authority's answer": "airspace-notified",
    "launch call": "authority-told-up",
    "position log": "position-log",
    "lost-contact call": "contact-lost",
    "card copied": "card-copied",
}


@pytest.fixture(params=LISTS)
def checklist(request: pytest.FixtureRequest) -> Checklist:
    return load_checklist(shipped_file(request.param))


@pytest.fixture(params=WHOLE)
def whole(request: pytest.FixtureRequest) -> Checklist:
    return load_checklist(shipped_file(request.param))


def step(checklist: Checklist, step_id: str) -> Step:
    return next(each for each in checklist.steps() if each.id == step_id)


@pytest.mark.parametrize("name", LISTS)
def test_it_lints_without_advice(name: str) -> None:
    found = lint(shipped_file(name))
    assert (found.problems, found.advice) == ((), ())


def test_every_shipped_toml_file_is_covered() -> None:
    assert {path.name for path in shipped_folder().glob("*.toml")} == {*LISTS, "flight.toml"}


def test_five_to_nine_steps_a_phase(checklist: Checklist) -> None:
    counts = {phase.id: len(phase.step) for phase in checklist.phase}
    assert all(FEWEST <= count <= MOST for count in counts.values()), counts


def test_a_challenge_can_be_called_out_and_names_something(checklist: Checklist) -> None:
    for each in checklist.steps():
        assert 1 <= len(each.challenge.split()) <= LONGEST, each.id
        assert not re.search(r"\b(check|verify|ensure|make sure)\b", each.challenge, re.I), each.id


def test_a_response_states_a_value_or_what_is_seen(checklist: Checklist) -> None:
    for each in checklist.steps():
        assert each.response, each.id
        assert not re.fullmatch(r"(checked|set|ok|done|yes|complete|ready)\W*", each.response, re.I), each.id
    value = re.compile(r"\d|margin|limit|read|named|told")
    valued = [each for each in checklist.steps() if value.search(each.response)]
    assert len(valued) * 2 >= len(checklist.steps())


def test_every_step_says_why_and_who_signs(checklist: Checklist) -> None:
    for each in checklist.steps():
        assert each.why, each.id
        assert each.signed_by, each.id
        assert each.signed_by[0] in checklist.checklist.stations


def test_cautions_where_people_can_be_hurt(whole: Checklist) -> None:
    cautions = " ".join(each.caution for each in whole.steps()).casefold()
    dangers = (
        "cylinder", "regulator", "hydrogen", "spark", "synthetic", "stretched latex", "lithium", "falls",
        "line under load", "power line", "railway", "road", "water", "wades", "thunder", "displaces the air",
    )  # fmt: skip
    missing = [danger for danger in dangers if danger not in cautions]
    assert missing == []


def test_what_flights_are_lost_by_is_looked_at(whole: Checklist) -> None:
    ids = {each.id for each in whole.steps()}
    assert {what: name for what, name in LOST_BY.items() if name not in ids} == {}
    assert step(whole, "neck-lift").measure.repeat == 3  # type: ignore[union-attr]
    # The card goes into the logger after the last use of the reader: a later one makes the step stale.
    assert set(step(whole, "card-in-logger").after) == {
        *("card-formatted", "card-writes", "test-log-read", "test-log-by-eye", "card-has-space"),
    }


def test_late_looks_at_what_can_change(whole: Checklist) -> None:
    release = next(phase for phase in whole.phase if phase.id == "release")
    late = {each.id for each in release.step}
    assert {"wind-at-release", "gust-at-release", "beacon-heard-late", "answer-still-valid"} <= late
    voltages = [each for each in whole.steps() if each.check == "battery-voltage"]
    assert len(voltages) == 2
    assert "battery" in step(whole, "beacon-heard-late").response


def test_what_depends_on_power_says_so(whole: Checklist) -> None:
    powered = {each.id for each in whole.steps() if "power" in each.reads}
    assert powered == {
        *("receiver-mode", "battery-loaded", "samples-read", "logging-seen"),
        *("payload-clock", "position-fixed", "beacon-heard-closed", "beacon-heard-late"),
        *("payload-clock-by-eye", "position-by-eye", "beacon-by-ear-closed", "beacon-by-ear-late"),
    }


def test_the_test_log_comes_after_the_last_word_with_the_logger(
    whole: Checklist,
) -> None:
    """Speaking to the logger ends its logging: only a log written since then proves that it logs again."""
    order = [each.id for each in whole.steps()]
    spoken = [each.id for each in whole.steps() if each.check in ("logger-response", "logger-unpowered")]
    for log in ("test-log-read", "test-log-by-eye"):
        assert "logger-replies" in step(whole, log).after
        assert max(map(order.index, spoken)) < order.index(log) < order.index("card-in-logger")
    # It pulls the power: whatever depends on that is looked at later.
    assert min(order.index(each.id) for each in whole.steps() if "power" in each.reads) > order.index(
        "test-log-by-eye"
    )


STAND_INS = {
    "test-log-read": "test-log-by-eye",
    "payload-clock": "payload-clock-by-eye",
    "position-fixed": "position-by-eye",
    "beacon-heard-closed": "beacon-by-ear-closed",
    "beacon-heard-late": "beacon-by-ear-late",
}


@pytest.mark.parametrize("lacking", ["", "port", "sample", "card", "card.log", "beacon", "port.beacon"])
def test_what_an_instrument_can_not_look_at_a_person_does(whole: Checklist, lacking: str) -> None:
    """Of a check and the step that stands in for it exactly one applies, whatever the flight file has."""
    flight = load_flight(shipped_file("flight.toml"))
    if lacking == "card.log":
        flight = replace(flight, card=replace(flight.card, log=None))
    elif lacking == "port.beacon":
        flight = replace(flight, port=tuple(port for port in flight.port if port.use != "beacon"))
    elif lacking:
        flight = replace(flight, **{lacking: () if lacking == "port" else None})
    for check, by_eye in STAND_INS.items():
        asked, stands_in = step(whole, check), step(whole, by_eye)
        assert asked.kind == "check"
        assert stands_in.kind == "confirm"
        assert asked.needs == stands_in.without == tuple(table.get(str(asked.check)).needs)
        assert (asked.unless(flight) is None) is not (stands_in.unless(flight) is None), check
        assert (asked.unless(flight) is None) is all(flight.has(name) for name in asked.needs), check


def test_only_bench_steps_that_stay_true_are_taken_over(whole: Checklist) -> None:
    carried = {each.id for phase in whole.phase for each in phase.step if each.carry}
    assert carried == {
        *("card-holds-its-size", "line-pulled", "payload-weighed", "parachute-weighed"),
        *("wired-as-declared", "lid-and-label"),
    }
    for phase in whole.phase:
        assert phase.id in ("bench", "train") or not any(each.carry for each in phase.step)


def test_the_gates_and_the_order_of_the_day(whole: Checklist) -> None:
    assert [(phase.id, phase.gate) for phase in whole.phase] == [
        ("bench", "fill"),
        ("train", "fill"),
        ("test-log", "fill"),
        ("notice", "fill"),
        ("site", "fill"),
        ("power-up", "fill"),
        ("close-up", "fill"),
        ("hydrogen", "fill"),
        ("fill", "release"),
        ("release", "release"),
        ("tracking", None),
        ("recovery", None),
        ("card", None),
    ]
    # What is weighed is told to the authority, so it comes before the notice.
    order = [each.id for each in whole.steps()]
    assert order.index("payload-weighed") < order.index("airspace-figures") < order.index("airspace-notified")


def test_the_deferral_asks_for_who_what_and_until_when(whole: Checklist) -> None:
    notified = step(whole, "airspace-notified")
    assert notified.defer is not None
    assert notified.defer.ask == (
        *("authority", "who answered", "reference"),
        *("valid from", "valid until", "conditions"),
    )
    assert {"payload.package", "site.latitude", "site.longitude"} <= set(notified.reads)
    assert "flight.release" not in notified.reads  # the answer's own window says when it lapses


def test_what_is_asked_for_a_time_is_known_by_its_wording(checklist: Checklist) -> None:
    asked = {question for step in checklist.steps() if step.defer for question in step.defer.ask}
    timed = {"told at", "valid from", "valid until"}
    assert {question for question in asked if asks_time(question)} == asked & timed
    for question in ("When it closes", "closed until", "time of the call", "Call time"):
        assert asks_time(question), question
    for question in ("conditions", "frequency to call", "who answered", "what was said"):
        assert not asks_time(question), question


def test_only_checks_that_are_in_the_table_are_asked_for(checklist: Checklist) -> None:
    asked = {each.check for each in checklist.steps() if each.check is not None}
    assert asked <= set(table.BUILT_IN)
    for each in checklist.steps():
        if each.check is not None:
            needed = table.get(each.check).needs
            assert set(each.needs) == set(needed) or set(needed) - {"port.logger", "logger.exchange"} <= set(
                each.needs
            ), each.id


def test_the_instructor_witnesses_waives_releases_and_seals() -> None:
    base, student = (load_checklist(shipped_file(name)) for name in WHOLE)
    head = student.checklist
    assert (head.release_by, head.seal_by) == (("instructor",), ("instructor",))
    assert "instructor" in head.roles
    assert "instructor" not in head.stations
    for each in student.steps():
        assert each.waive_by in ((), ("instructor",)), each.id
        own = step(base, each.id)
        assert (each.challenge, each.check, each.measure, each.signed_by) == (
            own.challenge,
            own.check,
            own.measure,
            own.signed_by,
        )
        if each.caution and each.witness:
            assert each.witness_by == ("instructor",) or each.id.startswith("hydrogen"), each.id
    taught = [each.id for each in student.steps() if each.why != step(base, each.id).why]
    assert len(taught) > 25


def test_no_verdicts_in_the_airspace_matter() -> None:
    for path in (*shipped_folder().glob("*.toml"), *shipped_folder().glob("airspace/*.toml")):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"\b(legal|illegal|exempt|permitted)\b", text, re.I), path


@pytest.mark.parametrize("name", LISTS)
def test_what_a_record_pins_reads_back_the_same(name: str) -> None:
    path = shipped_file(name)
    data = flattened_checklist(path)
    again = parse_checklist(data, "checklist.toml")
    assert again == load_checklist(path)
    assert advise(again) == ()
    assert flattened_checklist(path) == data
    if name in ("hydrogen-fill.toml", "recovery.toml"):
        assert data == path.read_bytes()
    else:
        assert b"#   latex-flight.toml  SHA-256 " in data
        assert "insert" not in tomllib.loads(data.decode())


def test_hydrogen_steps_are_for_hydrogen_alone() -> None:
    whole = load_checklist(shipped_file("latex-flight.toml"))
    flight = load_flight(shipped_file("flight.toml"))
    hydrogen = next(phase for phase in whole.phase if phase.id == "hydrogen")
    assert {each.unless(flight) for each in hydrogen.step} == {"balloon.gas is helium, this is for hydrogen"}


def test_the_shipped_flight_file_has_every_section_that_a_crew_may_need(flight_text: str) -> None:
    flight = load_flight(shipped_file("flight.toml"))
    absent = [name for name in Flight.__struct_fields__ if not flight.has(name) and name != "limits"]
    assert absent == []
    assert flight.flight.checklist == "latex-flight.toml"
