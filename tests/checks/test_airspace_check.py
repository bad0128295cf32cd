"""The check airspace: facts and remarks, what is missing, missed notices, a team's own rules and limits."""

import re
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from airspace_making import flight_with

from preflight.checks import table
from preflight.checks.base import Context, run_check
from preflight.clock import Moment
from preflight.config.flight import Airspace, Flight, Limit
from preflight.config.load import AIRSPACE
from preflight.config.shipped import shipped_file
from preflight.readings import Finding


class Standing:
    def __init__(self, at: str) -> None:
        self.at = datetime.fromisoformat(at).astimezone(UTC)

    def now(self) -> Moment:
        return Moment(at=self.at, boot="b", boot_ns=0)


def found(flight: Flight, folder: Path, now: str = "2027-05-15T20:00:00Z") -> Finding:
    return run_check(table.get("airspace"), Context(flight=flight, folder=folder, clock=Standing(now)))


def remarks(finding: Finding) -> str:
    return "\n".join(finding.remarks)


def test_go_says_only_that_the_figures_are_complete(tmp_path: Path) -> None:
    finding = found(flight_with(("1.02 kg", "180 cm^2")), tmp_path)
    assert finding.outcome == "go"
    assert finding.remarks[0].startswith("The local authority decides. Rules change")
    assert "Go says here only that every figure asked for is known" in finding.remarks[0]
    values = {each.name: each.value for each in finding.readings}
    assert values["airspace.package_mass"] == 1.02
    assert round(float(values["airspace.area_density"] or 0), 3) == 5.667
    assert values["airspace.packages"] == 1.0
    assert values["airspace.suspension_break"] == 100.0
    assert not re.search(r"\b(legal|exempt|permitted)\b", remarks(finding), re.I)
    assert all(len(remark) < 4000 for remark in finding.remarks)


def test_a_balloon_of_any_class_is_judged_by_nobody_here(tmp_path: Path) -> None:
    heavy = found(flight_with(("7 lb", "10 in^2"), suspension_break="300 N"), tmp_path)
    assert heavy.outcome == "go"
    assert "14 CFR 101.1(a)(4)(ii): A package that weighs more than 6 lb." in remarks(heavy)
    assert "Notice: 14 CFR 101.37(a), to the nearest FAA" in remarks(heavy)


def test_missing_figures_leave_it_open_and_say_what_is_missing(tmp_path: Path) -> None:
    finding = found(flight_with(("5 lb", None), suspension_break=None), tmp_path)
    assert finding.outcome == "open"
    assert finding.remarks[0] == "Not checked: smallest_face of package box 1 is not declared"
    assert finding.remarks[1] == "Not checked: the flight file has no payload.suspension_break"
    assert {each.name: each.value for each in finding.readings}["airspace.area_density"] is None


def test_a_missed_notice_is_flagged_and_no_verdict(tmp_path: Path) -> None:
    flight = flight_with(("7 lb", "1 m^2"))
    early, late = (found(flight, tmp_path, now) for now in ("2027-05-16T02:00:00Z", "2027-05-16T04:00:00Z"))
    assert "ends in 30 min" in remarks(early)
    assert "101.37(a)" in next(each for each in late.remarks if "MISSED by 1 h 30 min" in each)
    assert (early.outcome, late.outcome) == ("go", "go")


def test_the_rules_that_were_read_are_kept_as_evidence(tmp_path: Path) -> None:
    finding = found(flight_with(), tmp_path)
    assert [(each.name, each.data) for each in finding.evidence] == [
        (f"airspace rules {name}", (shipped_file(AIRSPACE) / name).read_bytes())
        for name in ("cfr-101.toml", "icao-annex-2.toml")
    ]


def test_a_file_beside_the_flight_file_comes_before_the_shipped_one(tmp_path: Path) -> None:
    text = (shipped_file(AIRSPACE) / "cfr-101.toml").read_text()
    (tmp_path / "cfr-101.toml").write_text(text.replace('threshold = "6 lb"', 'threshold = "2 lb"'))
    assert "printed > 2 lb (0.9072 kg): met" in remarks(found(flight_with(), tmp_path))


def test_rules_that_can_not_be_read_leave_it_open(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("[rules]\ntitle = 1\n")
    flight = msgspec.structs.replace(flight_with(), airspace=Airspace(rules=("own.toml", "absent.toml")))
    finding = found(flight, tmp_path)
    assert finding.outcome == "open"
    assert finding.remarks[0].startswith("Not checked: the rules of own.toml, which can't be read. own.toml:")
    assert "absent.toml: there is no such file" in finding.remarks[1]
    assert finding.evidence == ()


def test_a_teams_own_limit_counts(tmp_path: Path) -> None:
    flight = msgspec.structs.replace(flight_with(), limits={"airspace.package_mass": Limit(at_most=0.9)})
    assert found(flight, tmp_path).outcome == "no-go"


def test_without_the_section_nothing_is_checked(tmp_path: Path) -> None:
    finding = found(msgspec.structs.replace(flight_with(), airspace=None), tmp_path)
    assert (finding.outcome, finding.remarks) == ("open", ("Not checked: the flight file has no [airspace]",))


def test_it_depends_on_what_the_texts_and_times_are_about(tmp_path: Path) -> None:
    reads = found(flight_with(), tmp_path).reads
    assert {"flight.release", "payload.package", "payload.suspension_break", "airspace.rules"} <= set(reads)
