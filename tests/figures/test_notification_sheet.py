"""The notification sheet: filled, estimates marked, missing items listed, to read out as plain text."""

import re
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from airspace_making import flight_with, shipped_rules

from preflight.config.flight import Airspace, Flight
from preflight.figures.compute import compute
from preflight.figures.notification import NotificationSheet, SheetItem, notification_sheet, sheet_text
from preflight.figures.notification_items import dms, near_text, position_text
from preflight.readings import Reading

NOW = datetime(2027, 5, 16, 6, 0, tzinfo=UTC)
WINDS = """# valid_at = 2027-05-16T08:00:00Z
height [m],direction [deg],speed [m/s]
200,270,4
12000,270,12
32000,270,6
"""
WIND = '[wind]\ntable = "winds.csv"\n'


@pytest.fixture
def windy(tmp_path: Path) -> tuple[Flight, Path]:
    (tmp_path / "winds.csv").write_text(WINDS)
    return flight_with(("1.02 kg", "180 cm^2"), more=WIND), tmp_path


def sheet_of(flight: Flight, folder: Path | None = None) -> NotificationSheet:
    return notification_sheet(flight, compute(flight, folder=folder, now=NOW), shipped_rules(), NOW)


def item(sheet: NotificationSheet, title: str) -> SheetItem:
    (found,) = [each for each in sheet.items if each.title == title]
    return found


@pytest.mark.parametrize(
    ("latitude", "longitude", "said"),
    [
        (-43.93, 171.62, "43°55'48\"S 171°37'12\"E"),
        (48.5, -123.25, "48°30'00\"N 123°15'00\"W"),
        (0.0, 0.0, "0°00'00\"N 0°00'00\"E"),
        # 59.6 seconds round into the next minute and degree
        (9.99989, -179.99999, "10°00'00\"N 180°00'00\"W"),
        (-0.00001, -0.0001, "0°00'00\"N 0°00'00\"E"),
        (89.999, 180.0, "89°59'56\"N 180°00'00\"E"),
    ],
)
def test_degrees_minutes_and_seconds(latitude: float, longitude: float, said: str) -> None:
    assert dms(latitude, longitude) == said
    assert said in position_text(latitude, longitude)


def test_a_forecast_place_has_no_seconds() -> None:
    assert near_text(-43.52288, 172.06266) == "near -43.52, 172.06 = 43°31'S 172°04'E"
    assert near_text(59.9999, -10.9999) == "near 60.00, -11.00 = 60°00'N 11°00'W"


def test_what_the_flight_file_says_is_filled_in(windy: tuple[Flight, Path]) -> None:
    sheet = sheet_of(*windy)
    assert item(sheet, "Balloon identification").text == "Plover 2"
    assert item(sheet, "Launch site").value.startswith("-43.93000, 171.62000 = 43°55'48\"S 171°37'12\"E")
    assert item(sheet, "Date and time of launch").value == "2027-05-16 08:30 UTC (2027-05-16 20:30 NZST)"
    assert item(sheet, "Weight of the payload").value == "2.25 lb (1.02 kg)"
    assert item(sheet, "Length of the suspension device").value == "5 m (16.4 ft)"
    assert item(sheet, "Description").value.startswith(
        "Latex balloon of 0.75 kg, helium; parachute; 1 package"
    )


def test_what_is_computed_is_marked_as_an_estimate(windy: tuple[Flight, Path]) -> None:
    sheet = sheet_of(*windy)
    estimates = {
        "Expected direction of ascent": r"towards 09\d° true",
        "Forecast trajectory": r"towards 09\d° true, \d+ km to the landing; 5 000 m at \d\d:\d\d UTC",
        "Time and place at 18,000 m": r"18,000 m after .*\(2027-05-16 \d\d:\d\d NZST\), near -43\.9",
        "Time to 60,000 ft": r"60,000 ft \(18,288 m\) after",
        "Burst": r"m \([\d ]+ ft\), [\d ]+–[\d ]+ m, near",
        "Forecast time and place of impact": r"near -43\.9\d, 17\d\.\d+ = 43°5\d'S",
        "Duration of the flight": r"h .* to ",
        "Length and diameter of the balloon": r"a sphere 1\.\d m .* across at release, 6\.7 m",
        "Classification": "light",
    }
    for title, pattern in estimates.items():
        found = item(sheet, title)
        assert found.standing == "estimate", title
        assert found.text.endswith("[estimate]")
        assert re.search(pattern, found.value), (title, found.value)


def test_a_weighed_payload_is_marked_as_measured() -> None:
    flight = flight_with(("1.02 kg", "180 cm^2"))
    weighed = {"payload.mass": Reading(name="payload.mass", value=1.08, unit="kg")}
    sheet = notification_sheet(flight, compute(flight, weighed, now=NOW), shipped_rules(), NOW)
    assert item(sheet, "Weight of the payload").text == "2.38 lb (1.08 kg) [measured]"


def test_missing_items_are_listed_with_where_to_put_them() -> None:
    sheet = sheet_of(flight_with(suspension_length=None))
    remedies = {each.title: each.remedy for each in sheet.missing}
    assert remedies["Operator's telephone"] == "add telephone to [airspace]"
    assert remedies["Length of the suspension device"] == "add suspension_length to [payload]"
    assert "add [wind]" in remedies["Forecast time and place of impact"]
    assert "add [wind]" in remedies["Expected direction of ascent"]
    text = sheet_text(sheet)
    assert f"MISSING: {len(sheet.missing)} OF {len(sheet.items)}" in text
    assert "__________ [missing]" in text
    flight = flight_with()
    whole = msgspec.structs.replace(
        flight,
        airspace=Airspace(
            rules=("cfr-101.toml",), operator="Crew", telephone="none", transponder="none", antenna_length=0.0
        ),
    )
    assert {each.title for each in sheet_of(whole).missing} == {
        "Forecast trajectory",
        "Forecast time and place of impact",
        "Expected direction of ascent",
    }


def test_without_a_parachute_no_landing_is_made_up() -> None:
    flight = msgspec.structs.replace(flight_with(), parachute=None)
    sheet = sheet_of(flight)
    assert item(sheet, "Duration of the flight").standing == "missing"
    assert "add [parachute]" in item(sheet, "Forecast time and place of impact").remedy
    assert "landing estimated not known" in sheet_text(sheet)


def test_a_low_burst_does_not_reach_18_km() -> None:
    flight = flight_with()
    low = msgspec.structs.replace(flight, balloon=msgspec.structs.replace(flight.balloon, burst_diameter=2.4))
    said = item(sheet_of(low), "Time and place at 18,000 m").value
    assert said.startswith("18,000 m is not reached: it bursts at ")


def test_the_text_fits_80_columns_and_says_who_decides(windy: tuple[Flight, Path]) -> None:
    text = sheet_text(sheet_of(*windy))
    assert max(map(len, text.splitlines())) <= 80
    assert text.count("The local authority decides.") == 2
    assert not re.search(r"\b(legal|exempt|permitted)\b", text, re.I)
    for heading in (
        "WHOM TO TELL",
        "WHAT IS ASKED FOR",
        "FIGURES BESIDE THE TEXTS",
        "WHERE THE TEXTS DIFFER",
    ):
        assert heading in text
    assert "[from memory]" in text


def test_a_missed_window_is_flagged() -> None:
    text = sheet_text(sheet_of(flight_with(("7 lb", "1 m^2"))))
    flagged = [line for line in text.splitlines() if line.startswith("! ")]
    assert [line[2:18] for line in flagged] == ["SERA Appendix 2,", "14 CFR 101.37(a)"]


def test_hostile_names_are_shown_and_not_obeyed() -> None:
    flight = flight_with()
    odd = msgspec.structs.replace(flight, flight=msgspec.structs.replace(flight.flight, name="\x1b[31mA\nB"))
    text = sheet_text(sheet_of(odd))
    assert "\x1b" not in text
    assert "NOTIFICATION SHEET:" in text.splitlines()[0]
