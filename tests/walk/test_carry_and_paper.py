"""Steps taken over from an earlier attempt, and steps that were done on the printed list."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from small_flight import PASSPHRASE, START, Crew, margin

from preflight.errors import Refused
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.audit import recompute
from preflight.walk.carry import carry, offers
from preflight.walk.proof import prove


def next_day(crew: Crew, **flight: str) -> tuple[Walk, Walk]:
    """An attempt scrubbed yesterday whose checklist lets two steps be taken over, and today's record."""
    text = crew.sources.checklist.decode()
    for step in ("battery", "line"):
        text = text.replace(f'id = "{step}"\n', f'id = "{step}"\ncarry = true\n')
    crew.sources = replace(crew.sources, checklist=text.encode())
    first = crew.ready_to_fill(crew.begin())
    first.scrub("ines", "wind above limits")
    first.recorder.close()
    crew.clock.forward(hours=22)
    for old, new in flight.items():
        changed = crew.sources.flight.replace(old.encode(), new.encode())
        crew.sources = replace(crew.sources, flight=changed)
    second = opening.follow(
        first.recorder.folder,
        why="new-flight",
        keyring=crew.keyring,
        person="ines",
        clock=crew.clock,
        sources=crew.sources,
    )
    return first, second


def test_a_new_flight_begins_with_everything_open(crew: Crew) -> None:
    _, walk = next_day(crew)
    assert walk.state().steps["battery"].outcome == "open"
    assert walk.ledger.scrubbed is None


def test_what_the_checklist_names_is_offered_and_taken_over_by_its_hash(crew: Crew) -> None:
    first, walk = next_day(crew)
    offered = offers(walk, first.recorder.folder)
    assert [offer.step for offer in offered] == ["battery", "line"]
    for offer in offered:
        carry(walk, offer, "omar")
    state = walk.state()
    assert state.steps["battery"].outcome == state.steps["line"].outcome == "go"
    assert state.steps["logger"].outcome == "open"
    assert recompute(walk.recorder.folder).first_bad is None


def test_what_used_a_value_that_is_another_today_is_not_offered(crew: Crew) -> None:
    first, walk = next_day(crew, **{"baud = 9600": "baud = 19200"})
    assert [offer.step for offer in offers(walk, first.recorder.folder)] == ["battery"]


def test_only_what_the_checklist_names_can_be_taken_over(crew: Crew) -> None:
    import msgspec

    first, walk = next_day(crew)
    offer = offers(walk, first.recorder.folder)[0]
    other = replace(offer, data=msgspec.structs.replace(offer.data, step="winds"))
    with pytest.raises(Refused, match="do it again"):
        carry(walk, other, "omar")


class TestPaper:
    def test_it_counts_once_a_second_person_has_witnessed_it(self, crew: Crew) -> None:
        walk = crew.begin()
        walk.paper("battery", "omar", START - timedelta(minutes=20), "8.1 V")
        assert walk.state().steps["battery"].waiting == "witness"
        with pytest.raises(Refused, match="another person"):
            walk.witness("battery", "omar")
        walk.witness("battery", "noah")
        assert walk.state().steps["battery"].outcome == "go"

    def test_what_was_measured_is_judged_and_replaces_the_declared_value(self, crew: Crew) -> None:
        walk = crew.begin()
        weighed = START - timedelta(minutes=20)
        walk.paper("neck-lift", "omar", weighed, "on the spring scale", values=[1.71, 1.70, 1.72])
        assert walk.ledger.values.flight.balloon.neck_lift == pytest.approx(1.71)
        walk.paper("neck-lift", "omar", START, "again", values=[1.95, 1.95, 1.95])
        assert walk.state().steps["neck-lift"].outcome == "no-go"
        assert recompute(walk.recorder.folder).first_bad is None

    def test_a_time_that_lies_ahead_is_refused(self, crew: Crew) -> None:
        walk = crew.begin()
        with pytest.raises(Refused, match="lies ahead"):
            walk.paper("battery", "omar", START + timedelta(minutes=1), "8.1 V")


def test_a_handover_goes_on_where_the_other_laptop_stood(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    hold = walk.hold("laptop battery low", "omar")
    walk.recorder.close()
    crew.clock.boot = "the other laptop"
    crew.clock.forward(minutes=5)
    other = opening.follow(
        walk.recorder.folder, why="handover", keyring=crew.keyring, person="ines", clock=crew.clock
    )
    assert other.state().steps["line"].outcome == "go"
    assert other.state().holds
    other.lift(hold.ref, "omar", "charged")
    crew.polled(other, "fill")
    assert other.state().next.kind == "authorise"
    with pytest.raises(Refused, match="earlier, closed record"):
        other.sign("line", "omar")
    other.found("line", margin(3.0))
    other.sign("line", "omar")
    assert recompute(other.recorder.folder).first_bad is None


def test_after_storage_trouble_the_walk_goes_on_on_another_device(crew: Crew, tmp_path: Path) -> None:
    walk = crew.ready_to_fill(crew.begin())
    counted = walk.recorder.head
    # The device kept a line whose sync it had refused: nobody was told that it was signed.
    walk.hold("never acknowledged", "omar")
    walk.recorder.close()
    other = opening.follow(
        walk.recorder.folder,
        why="storage",
        keyring=crew.keyring,
        person="ines",
        clock=crew.clock,
        logs=tmp_path / "stick" / "logs",
        head=counted,
    )
    assert not other.state().holds
    assert other.state().steps["line"].outcome == "go"
    other.recorder.close()
    again = opening.resume(other.recorder.folder, keyring=crew.keyring, clock=crew.clock)
    assert not again.state().holds
    again.recorder.close()
    proof = prove(again.recorder.folder)
    assert proof.found.state == "unsealed"
    assert any("goes on from" in note for note in proof.found.warnings)


def test_a_record_that_goes_on_from_a_bad_one_is_bad(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    walk.recorder.close()
    other = opening.follow(
        walk.recorder.folder, why="handover", keyring=crew.keyring, person="ines", clock=crew.clock
    )
    other.recorder.close()
    seals = walk.recorder.folder / "seals"
    seals.mkdir(exist_ok=True)
    (seals / "ines.sig").write_text("-----BEGIN SSH SIGNATURE-----\nAAAA\n-----END SSH SIGNATURE-----\n")
    found = prove(other.recorder.folder).found
    assert found.state == "bad"
    assert walk.recorder.rec in found.why


def test_after_storage_trouble_a_torn_line_left_behind_spoils_neither_record(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    walk.recorder.close()
    with (walk.recorder.folder / "record.jsonl").open("ab") as file:
        file.write(b'{"entry":{"at":"2031')
    after = opening.follow(
        walk.recorder.folder,
        why="storage",
        keyring=crew.keyring,
        person="ines",
        clock=crew.clock,
        head=walk.recorder.head,
    )
    assert after.state().steps["line"].outcome == "go"
    for folder in (walk.recorder.folder, after.recorder.folder):
        proof = prove(folder)
        assert (proof.found.state, proof.found.first_bad) == ("unsealed", None), proof.found.why
        assert proof.audit is not None
    assert any("20 bytes beyond it" in note for note in prove(walk.recorder.folder).found.warnings)


def test_storage_trouble_between_the_decision_and_the_release_leaves_the_release_next(crew: Crew) -> None:
    walk = crew.authorised(crew.begin())
    assert walk.state().next.kind == "close"
    walk.close("ines", PASSPHRASE, reason="decided")
    walk.recorder.close()
    record = walk.recorder.folder
    for why in ("after-release", "storage", "handover"):
        walk = opening.follow(record, why=why, keyring=crew.keyring, person="ines", clock=crew.clock)
        assert walk.state().next.kind == "release", why
        walk.recorder.close()
        record = walk.recorder.folder
