"""Steps taken over from an earlier attempt are judged by the record that they were taken from."""

from __future__ import annotations

import shutil
from dataclasses import replace

import msgspec
import pytest
from record_making import lines_of, put
from small_flight import Crew, margin

from preflight.errors import Refused
from preflight.record import kinds
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.carry import carry, offers
from preflight.walk.proof import prove


def carriable(crew: Crew) -> None:
    text = crew.sources.checklist.decode()
    for step in ("battery", "line"):
        text = text.replace(f'id = "{step}"\n', f'id = "{step}"\ncarry = true\n')
    crew.sources = replace(crew.sources, checklist=text.encode())


def scrubbed(crew: Crew, *, drill: bool = False) -> Walk:
    carriable(crew)
    walk = crew.ready_to_fill(crew.begin(drill=drill))
    walk.scrub("ines", "wind above limits")
    walk.recorder.close()
    crew.clock.forward(hours=22)
    return walk


def next_day(crew: Crew, first: Walk, **more: object) -> Walk:
    return opening.follow(
        first.recorder.folder,
        why="new-flight",
        keyring=crew.keyring,
        person="ines",
        clock=crew.clock,
        sources=crew.sources,
        **more,
    )


def forged(crew: Crew, first: Walk, **more: object) -> Walk:
    """A walk begun past `follow`, as somebody would who wants more than the tool lets them."""
    previous = kinds.Previous(rec=first.rec, head=first.head, why="new-flight")
    return crew.begin(previous=previous, **more)


def state_of(walk: Walk) -> tuple[str, int | None, str]:
    walk.recorder.close()
    found = prove(walk.recorder.folder).found
    return found.state, found.first_bad, found.why


def test_what_was_taken_over_as_offered_is_sound(crew: Crew) -> None:
    first = scrubbed(crew)
    walk = next_day(crew, first)
    for offer in offers(walk, first.recorder.folder):
        carry(walk, offer, "omar")
    assert state_of(walk) == ("unsealed", None, "the record is not closed")


def test_a_drill_is_taken_over_into_a_drill(crew: Crew) -> None:
    first = scrubbed(crew, drill=True)
    walk = next_day(crew, first, drill=True)
    assert walk.ledger.book.drill
    for offer in offers(walk, first.recorder.folder):
        carry(walk, offer, "omar")
    assert state_of(walk)[0] == "unsealed"


@pytest.mark.parametrize("drill", [True, False])
def test_a_drill_and_a_flight_take_nothing_over_from_each_other(crew: Crew, drill: bool) -> None:
    first = scrubbed(crew, drill=drill)
    before = list(crew.logs.iterdir())
    with pytest.raises(Refused, match="can't follow it"):
        next_day(crew, first, drill=not drill)
    assert list(crew.logs.iterdir()) == before
    same = next_day(crew, first)
    data = [offer.data for offer in offers(same, first.recorder.folder)]
    same.recorder.close()
    shutil.rmtree(same.recorder.folder)
    other = forged(crew, first, drill=not drill)
    with pytest.raises(Refused, match="nothing of it is taken over"):
        offers(other, first.recorder.folder)
    other.enter("carry", data[0], "omar")
    state, line, why = state_of(other)
    assert (state, line) == ("bad", 2)
    assert "nothing of it is taken over into" in why


@pytest.mark.parametrize(
    "change",
    [
        {"found_at": "2031-03-09T06:59:00.000Z"},
        {"source": kinds.Pointer(rec="REC", seq=4, line="0" * 64)},
        {"reads": ()},
    ],
)
def test_what_the_earlier_record_does_not_say_is_bad(crew: Crew, change: dict[str, object]) -> None:
    first = scrubbed(crew)
    walk = next_day(crew, first)
    carry(walk, offers(walk, first.recorder.folder)[0], "omar")
    data = offers(walk, first.recorder.folder)[1].data
    if "source" in change:
        change = {"source": msgspec.structs.replace(change["source"], rec=first.rec)}
    walk.enter("carry", msgspec.structs.replace(data, **change), "omar")
    state, line, why = state_of(walk)
    assert (state, line) == ("bad", 3)
    assert f"was not go in {first.rec}" in why


def test_a_step_that_was_no_go_there_is_bad(crew: Crew) -> None:
    carriable(crew)
    first = crew.powered(crew.begin())
    first.found("line", margin(1.0))
    first.scrub("ines", "no margin")
    first.recorder.close()
    walk = next_day(crew, first)
    act = first.ledger.steps["line"].finding.act
    source = kinds.Pointer(rec=first.rec, seq=act.entry.seq, line=first.recorder.hashes[act.entry.seq - 1])
    data = kinds.CarryData(
        step="line", source=source, outcome="go", found_at=act.entry.at, readings=(), reads=("link.baud",)
    )
    walk.enter("carry", data, "omar")
    assert state_of(walk)[:2] == ("bad", 2)


def test_what_used_a_value_that_was_replanned_before_is_bad(crew: Crew) -> None:
    first = scrubbed(crew)
    walk = next_day(crew, first)
    offer = next(each for each in offers(walk, first.recorder.folder) if each.step == "line")
    walk.replan({"link.baud": "19200"}, "ines", "another logger")
    carry(walk, offer, "omar")
    assert state_of(walk)[:2] == ("bad", 3)


def test_an_earlier_record_that_is_bad_makes_what_took_steps_over_from_it_bad(crew: Crew) -> None:
    first = scrubbed(crew)
    walk = next_day(crew, first)
    carry(walk, offers(walk, first.recorder.folder)[0], "omar")
    lines = lines_of(first.recorder.folder)
    put(first.recorder.folder, [lines[0], lines[1].replace(b"8.1 V", b"8.4 V"), *lines[2:]])
    assert state_of(walk)[0] == "bad"


def test_an_earlier_record_that_is_not_there_leaves_it_unjudged_and_says_so(crew: Crew) -> None:
    first = scrubbed(crew)
    walk = next_day(crew, first)
    carry(walk, offers(walk, first.recorder.folder)[0], "omar")
    walk.recorder.close()
    shutil.rmtree(first.recorder.folder)
    found = prove(walk.recorder.folder).found
    assert found.state == "unsealed"
    assert any(f"NOT JUDGED: the steps taken over from {first.rec}" in note for note in found.warnings)
