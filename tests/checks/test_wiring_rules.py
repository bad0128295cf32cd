"""Declared connections: each fault named with what to do, sound ones go, every lead listed for touch."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from serial_ends import make_flight

from preflight.checks import table
from preflight.checks.base import Context, run_check
from preflight.checks.wiring_rules import judge_wiring
from preflight.config.flight import Connection, Port


def lead(text: str, **more: object) -> Connection:
    """ "flight computer 5 transmit 3.3 > logger 2 receive 3.3": device, pin, function, level (or -)."""
    given: dict[str, object] = {}
    for key, end in zip(("from", "to"), text.split(" > "), strict=True):
        *device, pin, function, level = end.split()
        given |= {key: " ".join(device), f"{key}_pin": pin, f"{key}_function": function}
        given |= {} if level == "-" else {f"{key}_level": float(level)}
    return msgspec.convert(given | more, Connection)


GROUND = lead("flight computer 1 ground - > logger 1 ground -")
SENDS = lead("flight computer 5 transmit 3.3 > logger 2 receive 3.3")
ANSWERS = lead("logger 3 transmit 3.3 > flight computer 6 receive 3.3")
SOUND = (SENDS, ANSWERS, GROUND)


def run(*leads: Connection, port=()):
    flight = make_flight(
        wiring={"connection": [msgspec.to_builtins(each) for each in leads]}, port=list(port)
    )
    return run_check(table.get("wiring"), Context(flight=flight, folder=Path()))


def test_sound_wiring_is_go_and_every_lead_is_listed_for_touch():
    finding = run(*SOUND)
    assert finding.outcome == "go"
    assert finding.remarks == (
        "By touch, 1 of 3: flight computer pin 5 (transmit, 3.3 V) to logger pin 2 (receive, 3.3 V)",
        "By touch, 2 of 3: logger pin 3 (transmit, 3.3 V) to flight computer pin 6 (receive, 3.3 V)",
        "By touch, 3 of 3: flight computer pin 1 (ground) to logger pin 1 (ground)",
    )
    assert "wiring" in finding.reads


def test_one_way_logging_needs_no_way_back():
    assert run(SENDS, GROUND).outcome == "go"


@pytest.mark.parametrize(
    ("leads", "told", "remedy"),
    [
        pytest.param(
            (
                lead("flight computer 5 transmit 3.3 > logger 3 transmit 3.3"),
                lead("flight computer 6 receive 3.3 > logger 2 receive 3.3"),
                GROUND,
            ),
            "Not crossed: flight computer pin 5 and logger pin 3 are both transmit, flight computer pin 6 "
            "and logger pin 2 both receive.",
            "Swap the two leads at one end",
            id="straight",
        ),
        pytest.param(
            (lead("flight computer 5 transmit 3.3 > logger 3 transmit 3.3"), GROUND),
            "Transmit to transmit: flight computer pin 5 and logger pin 3",
            "goes to the other's receive",
            id="transmit-to-transmit",
        ),
        pytest.param(
            (lead("flight computer 6 receive 3.3 > logger 2 receive 3.3"), GROUND),
            "Receive to receive: nothing drives flight computer pin 6 and logger pin 2",
            "takes the other's transmit",
            id="receive-to-receive",
        ),
        pytest.param(
            (SENDS, ANSWERS),
            "No ground between flight computer and logger",
            "Join their grounds",
            id="no-ground",
        ),
        pytest.param(
            (
                SENDS,
                lead("positioning receiver 4 transmit 3.3 > logger 2 receive 3.3"),
                GROUND,
                lead("positioning receiver 1 ground - > logger 1 ground -"),
            ),
            "Two drivers on one line: flight computer pin 5 and positioning receiver pin 4 both transmit to "
            "logger pin 2",
            "Give each a line of its own",
            id="two-drivers",
        ),
        pytest.param(
            (lead("flight computer 5 transmit 5 > logger 2 receive 3.3"), GROUND),
            "5 V from flight computer pin 5 into logger pin 2, which takes 3.3 V, without a divider",
            "Fit a divider or a level shifter",
            id="level",
        ),
        pytest.param(
            (lead("logger 3 transmit 3.3 > flight computer 6 receive 3.3", programming="to"), GROUND),
            "flight computer pin 6 also hears the board's programming port",
            "use another serial port",
            id="programming",
        ),
        pytest.param(
            (lead("battery 1 supply 5 > logger 1 ground -"),), "a short circuit", "Part them", id="short"
        ),
        pytest.param(
            (lead("battery 1 supply 5 > logger 4 supply 3.3"),),
            "5 V supply from battery pin 1 into logger pin 4, which takes 3.3 V",
            "fit a regulator",
            id="supply",
        ),
        pytest.param(
            (lead("flight computer 7 ground - > logger 9 reset 3.3"),),
            "the board is held in reset",
            "Part them",
            id="held-in-reset",
        ),
        pytest.param(
            (lead("flight computer 5 transmit 3.3 > logger 9 reset 3.3"),),
            "each byte sent restarts the board",
            "Part them",
            id="reset-driven",
        ),
        pytest.param(
            (lead("flight computer 1 ground - > logger 2 receive 3.3"),),
            "the input is held and hears nothing",
            "takes the other's transmit",
            id="input-held",
        ),
        pytest.param(
            (lead("logger 3 transmit 3.3 > logger 2 receive 3.3"),),
            "both ends are on one device",
            "take the test lead off",
            id="loop",
        ),
        pytest.param(
            (SENDS, lead("flight computer 5 receive 3.3 > logger 3 transmit 3.3"), GROUND),
            "flight computer pin 5 is declared as receive and as transmit",
            "correct its connections",
            id="two-functions",
        ),
        pytest.param(
            (SENDS, lead("flight computer 5 transmit 5 > beacon 2 receive 5"), GROUND),
            "flight computer pin 5 is declared as 3.3 V and as 5 V",
            "measure it",
            id="two-levels",
        ),
    ],
)
def test_a_fault_is_no_go_and_says_what_to_do(leads, told, remedy):
    finding = run(*leads)
    assert finding.outcome == "no-go"
    named = [remark for remark in finding.remarks if told in remark]
    assert len(named) == 1, finding.remarks
    assert remedy in named[0]
    assert finding.remarks[-1].startswith(f"By touch, {len(leads)} of {len(leads)}")


def test_a_straight_pair_is_told_once():
    finding = run(
        lead("A 5 transmit 3.3 > B 3 transmit 3.3"),
        lead("A 6 receive 3.3 > B 2 receive 3.3"),
        lead("A 1 ground - > B 1 ground -"),
    )
    assert len([remark for remark in finding.remarks if not remark.startswith("By touch")]) == 1


def test_a_divider_makes_a_high_level_good_and_says_what_to_measure():
    finding = run(lead("flight computer 5 transmit 5 > logger 2 receive 3.3", divider=True), GROUND)
    assert finding.outcome == "go"
    assert "measure at most 3.3 V at logger pin 2" in finding.remarks[0]
    assert finding.remarks[1].endswith("through the divider")


def test_a_divider_behind_a_second_lead_does_not_protect_the_first_input():
    """A line in a row: the first input takes all, the second stands behind the divider."""
    finding = run(
        lead("flight computer 5 transmit 5 > logger 2 receive 3.3"),
        lead("logger 2 receive 3.3 > beacon 4 receive 3.3", divider=True),
        GROUND,
        lead("logger 1 ground - > beacon 1 ground -"),
    )
    faults = [remark for remark in finding.remarks if "without a divider" in remark]
    assert len(faults) == 1
    assert "into logger pin 2" in faults[0]


def test_grounds_may_be_joined_through_a_third_device():
    star = [lead(f"{device} 1 ground - > battery 2 ground -") for device in ("flight computer", "logger")]
    assert run(SENDS, ANSWERS, *star).outcome == "go"


def test_levels_not_declared_are_open_and_named():
    finding = run(lead("flight computer 5 transmit - > logger 2 receive 3.3"), GROUND)
    assert finding.outcome == "open"
    assert finding.remarks[0] == (
        "Not checked: the levels from flight computer pin 5 to logger pin 2: give from_level and to_level "
        "(flight computer pin 5 has none)"
    )


@pytest.mark.parametrize(
    ("connection", "told"),
    [
        (lead("flight computer 5 transmit 1.8 > logger 2 receive 3.3"), "may be too low"),
        (lead("flight computer 5 transmit 3.3 > logger 2 receive 3.3", divider=True), "not needed"),
        (
            lead("flight computer 5 transmit 3.3 > logger 2 receive 3.3", programming="from"),
            "also the board's programming line",
        ),
    ],
)
def test_what_is_worth_knowing_is_go_with_a_remark(connection, told):
    finding = run(connection, GROUND)
    assert finding.outcome == "go"
    assert told in finding.remarks[0]


@pytest.mark.parametrize(
    ("use", "level", "told"),
    [
        ("tap", 3.3, "The tap's adapter takes 3.3 V, but flight computer pin 5 sends 5 V"),
        ("logger", 5.0, "The logger's adapter sends 5 V, but logger pin 2 takes 3.3 V"),
    ],
)
def test_the_laptops_adapter_is_held_against_the_pin_it_is_put_on(use, level, told):
    wired = judge_wiring(
        (lead("flight computer 5 transmit 5 > logger 2 receive 3.3", divider=True), GROUND),
        (Port(use=use, at="x", level=level),),
    )
    assert any(told in fault for fault in wired.faults), wired.faults


def test_names_are_compared_without_regard_to_case_and_hostile_ones_are_cleaned():
    finding = run(SENDS, lead("Flight Computer 1 ground - > LOGGER 1 ground -"))
    assert finding.outcome == "go"
    hostile = msgspec.structs.replace(SENDS, to="log\x1b[2Jger\u202e")
    text = "".join(run(hostile, GROUND).remarks)
    assert "\x1b" not in text
    assert "\u202e" not in text
