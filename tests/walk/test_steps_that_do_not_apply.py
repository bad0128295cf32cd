"""Steps for some flights only, and phases of which nothing applies: no call is waited for."""

from __future__ import annotations

from dataclasses import replace

import pytest
from small_flight import Crew

from preflight.errors import Refused
from preflight.walk.acts import Walk

HYDROGEN = """
[[phase]]
id = "hydrogen"
title = "Hydrogen"
gate = "fill"
[[phase.step]]
id = "earth"
challenge = "Bonding lead"
response = "0.8 ohm"
signed_by = ["payload"]
applies_if = { "balloon.gas" = "hydrogen" }
[[phase.step]]
id = "fire"
challenge = "Extinguisher"
response = "In Omar's hand"
signed_by = ["payload"]
applies_if = { "balloon.gas" = "hydrogen" }

[[phase]]
id = "fill"
"""


@pytest.fixture
def gassed(crew: Crew) -> Crew:
    text = crew.sources.checklist.decode().replace('\n[[phase]]\nid = "fill"\n', HYDROGEN)
    crew.sources = replace(crew.sources, checklist=text.encode())
    return crew


def outcomes(walk: Walk) -> set[tuple[str, str]]:
    steps = walk.state().steps
    return {(steps[name].outcome, steps[name].reason) for name in ("earth", "fire")}


def test_with_helium_nothing_of_it_is_asked_for(gassed: Crew) -> None:
    walk = gassed.begin()
    assert outcomes(walk) == {("not-applicable", "balloon.gas is helium, this is for hydrogen")}
    phase = walk.state().phases["hydrogen"]
    assert (phase.concerns, phase.settled, phase.done, phase.total) == (False, True, 0, 0)
    gassed.ready_to_fill(walk)
    assert walk.state().gates["fill"].verdict == "go"
    assert walk.state().next.kind == "poll"
    gassed.polled(walk, "fill")
    walk.authorise("fill", "ines", "several words of no use elsewhere")
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    assert walk.state().steps["neck-lift"].outcome == "open"


def test_with_hydrogen_every_step_and_the_call_are(gassed: Crew) -> None:
    gassed.sources = replace(
        gassed.sources, flight=gassed.sources.flight.replace(b'gas = "helium"', b'gas = "hydrogen"')
    )
    walk = gassed.begin()
    assert outcomes(walk) == {("open", "not done yet")}
    gassed.ready_to_fill(walk)
    assert walk.state().next.name == "earth"
    assert walk.state().gates["fill"].verdict == "hold"
    walk.confirm("earth", "omar", "0.8 ohm")
    walk.confirm("fire", "omar", "in hand")
    assert (walk.state().next.kind, walk.state().next.name) == ("complete", "hydrogen")
    reasons = [reason.text for reason in walk.state().gates["fill"].reasons]
    assert reasons == ["phase Hydrogen was not called complete"]
    walk.complete("hydrogen", "omar")
    assert walk.state().gates["fill"].verdict == "go"


def test_a_replan_of_the_gas_brings_the_steps_back(gassed: Crew) -> None:
    walk = gassed.begin()
    gassed.ready_to_fill(walk)
    assert walk.state().gates["fill"].verdict == "go"
    walk.replan({"balloon.gas": "hydrogen"}, "ines", "no helium to be had")
    assert outcomes(walk) == {("open", "not done yet")}
    assert walk.state().gates["fill"].verdict == "hold"
    gassed.polled(walk, "fill")
    with pytest.raises(Refused, match="earth is not done yet"):
        walk.authorise("fill", "ines", "several words of no use elsewhere")
