"""Limits that come from figures, or from the flight file, are worked out again by whoever audits."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest
from small_flight import PASSPHRASE, Crew, margin

from preflight.readings import Finding, Reading, decimal_text
from preflight.record.entry import Entry
from preflight.record.kinds import MeasureData, PaperData
from preflight.walk import opening, recount
from preflight.walk.acts import Walk
from preflight.walk.audit import Audit, recompute, recompute_entries
from preflight.walk.ledger import Ledger
from preflight.walk.limits import limits_for
from preflight.walk.opening import TOOL
from preflight.walk.proof import prove

OTHER = "preflight 0.0.1"


@pytest.fixture
def walk(crew: Crew) -> Walk:
    """A neck lift whose limits only the figures give, about to be measured."""
    text = crew.sources.checklist.decode()
    for line in ("measure.at_least = 1.4\n", "measure.at_most = 1.9\n"):
        assert line in text
        text = text.replace(line, "")
    crew.sources = replace(crew.sources, checklist=text.encode())
    walk = crew.ready_to_fill(crew.begin())
    crew.polled(walk, "fill")
    walk.authorise("fill", "ines", PASSPHRASE)
    return walk


def limits(walk: Walk) -> tuple[float, float]:
    low, high = limits_for(walk.ledger, walk.ledger.book.steps["neck-lift"])
    assert low is not None
    assert high is not None
    return low, high


def audited(walk: Walk, change: dict[str, object] | None = None, tool: str = TOOL) -> Audit:
    """The walk recomputed; its last entry changed, and all of it made by another version."""
    entries: list[Entry] = [act.entry for act in walk.ledger.acts]
    opened = msgspec.structs.replace(entries[0].data, tool=tool)
    entries[0] = msgspec.structs.replace(entries[0], data=opened)
    if change is not None:
        data = msgspec.structs.replace(entries[-1].data, **change)
        entries[-1] = msgspec.structs.replace(entries[-1], data=data)
    return recompute_entries(Ledger(walk.ledger.book), entries)


def too_heavy(walk: Walk) -> list[float]:
    """Three values above the upper limit, so that the measurement is no-go."""
    return [limits(walk)[1] + 0.2] * 3


def doctored(data: MeasureData, **change: str | None) -> dict[str, object]:
    """The change that makes a no-go a go by its own numbers, signed by who owns the key."""
    return {"outcome": "go", "reading": msgspec.structs.replace(data.reading, **change)}


def test_what_the_tool_itself_enters_stands_without_a_word(walk: Walk) -> None:
    walk.measure("neck-lift", "omar", too_heavy(walk), limits(walk))
    low, high = limits(walk)
    walk.measure("neck-lift", "omar", [(low + high) / 2] * 3, (low, high))
    for tool in (TOOL, OTHER):
        audit = audited(walk, tool=tool)
        assert (audit.first_bad, audit.remarks) == (None, ())
    assert recompute(walk.recorder.folder).first_bad is None


@pytest.mark.parametrize("at_most", ["9", None])
def test_a_doctored_limit_is_bad_where_the_same_version_made_it(walk: Walk, at_most: str | None) -> None:
    act = walk.measure("neck-lift", "omar", too_heavy(walk), limits(walk))
    assert act.data.outcome == "no-go"
    audit = audited(walk, doctored(act.data, at_most=at_most))
    assert audit.first_bad == len(walk.ledger.acts)
    assert audit.why.startswith("the limits of neck-lift are not those in force: ")
    assert f"at most {limits(walk)[1]:.4g} worked out again" in audit.why


def test_of_another_version_it_is_a_remark(walk: Walk) -> None:
    act = walk.measure("neck-lift", "omar", too_heavy(walk), limits(walk))
    audit = audited(walk, doctored(act.data, at_most="9"), tool=OTHER)
    assert audit.first_bad is None
    (remark,) = audit.remarks
    assert remark.startswith(
        f"line {len(walk.ledger.acts)}: limits of neck-lift taken from the entry, computed by {OTHER}; "
    )


def test_a_digit_that_another_machine_computes_otherwise_is_no_fault(walk: Walk) -> None:
    act = walk.measure("neck-lift", "omar", too_heavy(walk), limits(walk))
    almost = decimal_text(limits(walk)[1] * (1 + 1e-12))
    change = {"reading": msgspec.structs.replace(act.data.reading, at_most=almost)}
    assert change["reading"] != act.data.reading
    assert audited(walk, change).first_bad is None


def test_the_version_is_that_of_who_took_the_record_up(crew: Crew, walk: Walk, monkeypatch) -> None:
    """What a newer version entered after a restart is judged by it, though an older one began the record."""
    walk.recorder.close()
    again = opening.resume(walk.recorder.folder, keyring=crew.keyring, clock=crew.clock)
    act = again.measure("neck-lift", "omar", too_heavy(again), limits(again))
    audit = audited(again, doctored(act.data, at_most="9"), tool=OTHER)
    assert audit.first_bad == len(again.ledger.acts)


def test_a_signed_record_says_so_where_people_look(walk: Walk, monkeypatch) -> None:
    """Made by another version with a limit of its own: verified, with a word on it."""
    low, high = limits(walk)
    with monkeypatch.context() as patch:
        patch.setattr(recount, "TOOL", OTHER)
        walk.measure("neck-lift", "omar", [high] * 3, (low, high + 0.1))
        found = prove(walk.recorder.folder).found
    assert found.state == "unsealed"
    assert any("limits of neck-lift taken from the entry, computed by" in note for note in found.warnings)
    found = prove(walk.recorder.folder).found
    assert (found.state, found.first_bad) == ("bad", len(walk.ledger.acts))


class TestPaper:
    @pytest.fixture
    def written(self, crew: Crew, walk: Walk) -> PaperData:
        act = walk.paper(
            "neck-lift", "omar", crew.clock.at, "by hand", values=too_heavy(walk), limits=limits(walk)
        )
        assert act.data.outcome == "no-go"
        return act.data

    def test_it_stands_as_it_was_entered(self, walk: Walk, written: PaperData) -> None:
        assert audited(walk).first_bad is None
        assert recompute(walk.recorder.folder).first_bad is None

    @pytest.mark.parametrize(
        ("change", "said"),
        [
            ({"at_most": "9"}, "limits of neck-lift are not those in force"),
            ({"at_most": None}, "limits of neck-lift are not those in force"),
            ({"value": "1.6", "low": "1.6", "high": "9"}, "does not follow"),
            ({"high": "1"}, "does not follow"),
            ({"name": "balloon.mass"}, "does not follow"),
            ({"unit": "g"}, "does not follow"),
            ({"source": "declared"}, "does not follow"),
        ],
    )
    def test_a_reading_made_to_fit_is_bad(
        self, walk: Walk, written: PaperData, change: dict[str, str | None], said: str
    ) -> None:
        reading = msgspec.structs.replace(written.readings[0], **change)
        outcome = "go" if "at_most" in change or "value" in change else "no-go"
        audit = audited(walk, {"readings": (reading,), "outcome": outcome})
        assert audit.first_bad == len(walk.ledger.acts)
        assert said in audit.why

    def test_values_that_it_no_longer_rests_on_are_bad(self, walk: Walk, written: PaperData) -> None:
        """A replanned payload would leave it go."""
        for reads in ((), written.reads[1:], (*written.reads, "power")):
            audit = audited(walk, {"reads": reads})
            assert audit.first_bad == len(walk.ledger.acts)
            assert "does not follow" in audit.why

    def test_an_outcome_made_to_fit_is_bad(self, walk: Walk, written: PaperData) -> None:
        for outcome in ("go", "open"):
            assert audited(walk, {"outcome": outcome}).first_bad == len(walk.ledger.acts)


class TestChecks:
    """A check's limits are its own; where the flight file gives one as well, a difference is told."""

    @pytest.fixture
    def limited(self, crew: Crew) -> Walk:
        text = crew.sources.flight.decode() + '[limits]\n"link.margin" = { at_least = 2.0 }\n'
        crew.sources = replace(crew.sources, flight=text.encode())
        return crew.powered(crew.begin())

    def test_the_same_limit_is_no_remark(self, limited: Walk) -> None:
        limited.found("line", margin(2.5))
        limited.found("line", margin(1.5))
        assert audited(limited).remarks == ()

    @pytest.mark.parametrize(("limit", "said"), [(1.0, "at least 1"), (None, "no such limit")])
    def test_a_go_by_another_limit_is_told(self, limited: Walk, limit: float | None, said: str) -> None:
        reading = Reading(name="link.margin", value=1.5, source="computed", at_least=limit)
        limited.found("line", Finding(check="link-margin", outcome="go", readings=(reading,)))
        audit = audited(limited)
        assert audit.first_bad is None
        assert audit.remarks == (
            f"line {len(limited.ledger.acts)}: link.margin of line has {said}, the flight file at least 2",
        )

    def test_a_reading_that_is_only_told_is_no_remark(self, limited: Walk) -> None:
        reading = Reading(name="link.margin", value=2.5, source="computed")
        limited.found("line", Finding(check="link-margin", outcome="go", readings=(reading,)))
        assert audited(limited).remarks == ()

    def test_a_unit_that_the_name_never_has_is_told(self, limited: Walk) -> None:
        for name, unit in (("flight.landing_speed", "km/h"), ("of.a-team", "furlong")):
            reading = Reading(name=name, value=2.5, unit=unit, source="computed")
            limited.found("line", Finding(check="link-margin", outcome="go", readings=(reading,)))
        line = len(limited.ledger.acts) - 1
        assert audited(limited).remarks == (
            f'line {line}: flight.landing_speed of line is in "km/h", which is always in "m/s"',
        )
