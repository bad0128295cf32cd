"""Flight files with something wrong: each is told with file, line, key and remedy, and exit code 2."""

from pathlib import Path

import pytest

from preflight.cli.main import run
from preflight.config.load import load_flight, parse_flight
from preflight.config.problems import BadFile

# name: (what stands in the good file, what takes its place, key, words in the complaint). The line told is
# that of the replaced text, plus BELOW.
CASES = {
    "unknown key": ('neck_lift = "1.80 kg"', 'neck_lft = "1.80 kg"', "balloon.neck_lft", 'mean "neck_lift"?'),
    "decimal comma": ('mass = "1.02 kg"', 'mass = "1,02 kg"', "payload.package[1].mass", '"1.02 kg"'),
    "expression": ('mass = "1.02 kg"', 'mass = "9**9**9 kg"', "payload.package[1].mass", "plain number"),
    "wrong dimension": ('mass = "750 g"', 'mass = "9 degC"', "balloon.mass", "this is a mass"),
    "angle for bytes": ('length = "80 B"', 'length = "64 rad"', "sample.length", 'unknown unit "rad"'),
    "not a number": ('mass = "750 g"', 'mass = "nan g"', "balloon.mass", "finite number"),
    "exponent tower": ('mass = "750 g"', 'mass = "1e999 g"', "balloon.mass", "without an exponent"),
    "degree sign": ('temperature = "15 degC"', 'temperature = "15 °C"', "cylinder.temperature", '"degC"'),
    "no unit": ('mass = "750 g"', "mass = 0.75", "balloon.mass", "without a unit"),
    "no unit in quotes": ('mass = "750 g"', 'mass = "750"', "balloon.mass", "has no unit"),
    "true for a quantity": ('mass = "750 g"', "mass = true", "balloon.mass", "is true"),
    "below its bound": ('qnh = "1018 hPa"', 'qnh = "101.8 hPa"', "site.qnh", "from 850 hPa to 1100 hPa"),
    "bound in the file's unit": (
        'qnh = "1018 hPa"',
        'qnh = "0.1 bar"',
        "site.qnh",
        "from 0.85 bar to 1.1 bar",
    ),
    "zero where more is needed": ('mass = "750 g"', 'mass = "0 g"', "balloon.mass", "above 0 g"),
    "stall too short": ('stall = "500 ms"', 'stall = "20 ms"', "link.stall", "from 500 ms to 60000 ms"),
    "latitude beyond the pole": (
        "latitude = -43.93 ",
        "latitude = -93.93 ",
        "site.latitude",
        "from -90 to 90",
    ),
    "latitude in quotes": ("latitude = -43.93 ", 'latitude = "-43.93"', "site.latitude", "without quotes"),
    "nan without quotes": ("latitude = -43.93 ", "latitude = nan", "site.latitude", "finite"),
    "inf without quotes": ("purity = 0.99 ", "purity = inf", "balloon.purity", "finite"),
    "a huge whole number": ("purity = 0.99 ", "purity = 1" + "0" * 400, "balloon.purity", "finite"),
    "half a baud": ("baud = 38400", "baud = 38400.5", "link.baud", "whole number"),
    "true for a number": ("baud = 38400", "baud = true", "link.baud", "is true"),
    "bad framing": ('framing = "8N1"', 'framing = "8X1"', "link.framing", "data bits, parity, stop bits"),
    "word not in the list": ('gas = "helium"', 'gas = "helum"', "balloon.gas", 'mean "helium"?'),
    "text for yes or no": ("dtr = false", 'dtr = "no"', "port[2].dtr", "true or false"),
    "one for yes or no": ("dtr = false", "dtr = 0", "port[2].dtr", "true or false"),
    "local time": ("2027-05-15T21:30:00Z", "2027-05-15T21:30:00", "flight.release", "no UTC offset"),
    "bare date": ("2027-05-15T21:30:00Z", "2027-05-16", "flight.release", "UTC offset"),
    "date in quotes": ("2027-05-15T21:30:00Z", '"2027-05-15T21:30:00Z"', "flight.release", "without quotes"),
    "year of another age": ("2027-05-15T21:30:00Z", "0001-01-01T00:00:00+23:00", "flight.release", "year 1"),
    "unknown time zone": ("Pacific/Auckland", "Pacific/Aukland", "site.timezone", 'mean "Pacific/Auckland"?'),
    "a path for a time zone": ("Pacific/Auckland", "../../etc/passwd", "site.timezone", "unknown time zone"),
    "empty name": ('name = "Fulmar 3"', 'name = ""', "flight.name", "is empty"),
    "escape sequence in a name": (
        'name = "Fulmar 3"',
        'name = "\\u001b[2J"',
        "flight.name",
        "control character",
    ),
    "number for a name": ('name = "Fulmar 3"', "name = 3", "flight.name", "text in quotes"),
    "name too long": ('name = "Fulmar 3"', f'name = "{"x" * 81}"', "flight.name", "keep to 80"),
    "checklist elsewhere": ('"latex-flight.toml"', '"/etc/passwd"', "flight.checklist", "folder"),
    "checklist above": ('"latex-flight.toml"', '"../x.toml"', "flight.checklist", "folder"),
    "checklist not there": ('"latex-flight.toml"', '"none.toml"', "flight.checklist", "no such file"),
    "role twice": ('role = "longitude"', 'role = "latitude"', "sample.field[6].role", "already taken"),
    "field twice": ('name = "uptime"', 'name = "count"', "sample.field[2].name", "first on line"),
    "unit that is no pressure": ('unit = "hPa"', 'unit = "m"', "sample.field[3].unit", "no unit of pressure"),
    "range upside down": ("at_least = -60\n", "at_least = 90\n", "sample.field[4].at_least", "above at_most"),
    "type on a delimited field": (
        'name = "fix"\n',
        'name = "fix"\ntype = "h"\n',
        "sample.field[9].type",
        "packed",
    ),
    "key on a delimited field": (
        'name = "fix"\n',
        'name = "fix"\nkey = "f"\n',
        "sample.field[9].key",
        "json",
    ),
    "sync without packed": ('delimiter = ","', 'sync = "AA55"', "sample.sync", '"packed" alone'),
    "delimiter within numbers": ('delimiter = ","', 'delimiter = "."', "sample.delimiter", "use one such as"),
    "port use twice": ('use = "logger"', 'use = "tap"', "port[2].use", "already taken"),
    "expression that does not compile": (
        "expect = 'ready'",
        "expect = '(rea'",
        "logger.exchange[1].expect",
        "not a reg",
    ),
    "expression that never ends": (
        "expect = 'ready'",
        "expect = '(a+)+b'",
        "logger.exchange[1].expect",
        "repeats",
    ),
    "list for a table": ("[card]\nvolume = ", "[[card]]\nvolume = ", "card", "is a list"),
    "table for a list": ('[[port]]\nuse = "logger"', '[[ports]]\nuse = "logger"', "ports", 'mean "port"?'),
    "no formats": ('["FAT16", "FAT32"]', "[]", "logger.formats", "at least one"),
    "unknown format": ('["FAT16", "FAT32"]', '["FAT16", "NTFS"]', "logger.formats[2]", "use one of"),
    "rechargeable called fresh": ('state = "charged"', 'state = "fresh"', "battery.state", "recharged"),
    "unknown figure": ('"link.margin" =', '"link.margn" =', 'limits."link.margn"', 'mean "link.margin"?'),
    "limit in another dimension": ('"6 m/s"', '"6 kg"', 'limits."flight.landing_speed".at_most', "a speed"),
    "limit with a unit too many": (
        "at_least = 2.0 }",
        'at_least = "2 kg" }',
        'limits."link.margin".at_least',
        "plain",
    ),
    "limit that limits nothing": (
        "{ at_least = 1.5 }",
        "{ }",
        'limits."battery.margin"',
        "at_least or at_most",
    ),
    "limit on a word": ('"card.margin" =', '"card.type" =', 'limits."card.type"', "a word"),
}
BELOW = {"type on a delimited field": 1, "key on a delimited field": 1}


def spoil(text: str, old: str, new: str) -> tuple[str, int]:
    """The text with one piece replaced, and the line on which it stands."""
    assert text.count(old) >= 1, old
    start = text.index(old)
    return text[:start] + new + text[start + len(old) :], text.count("\n", 0, start) + 1


def lint(capsys: pytest.CaptureFixture[str], folder: Path, text: str | bytes) -> tuple[int, str]:
    path = folder / "flight.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    (folder / "latex-flight.toml").write_text("[checklist]\n", encoding="utf-8")
    code = run(["lint", str(path)])
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err + shown.out
    return code, shown.err


@pytest.mark.parametrize("name", CASES)
def test_one_mistake_is_told_with_line_key_and_remedy(
    name: str, flight_text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old, new, key, words = CASES[name]
    text, line = spoil(flight_text, old, new)
    code, said = lint(capsys, tmp_path, text)
    assert code == 2
    told = [problem for problem in said.splitlines() if f": {key}: " in problem]
    assert told, said
    assert told[0].startswith(f"{tmp_path / 'flight.toml'}:{line + BELOW.get(name, 0)}: {key}: ")
    assert words in told[0]
    assert "; " in told[0]
    assert "\x1b" not in said


@pytest.mark.parametrize(
    ("section", "remedy"),
    [
        ("flight", "[flight]"),
        ("site", "[site]"),
        ("balloon", "[balloon]"),
        ("payload", "[payload]"),
        ("recovery", "[recovery]"),
    ],
)
def test_a_missing_section_is_named(section: str, remedy: str) -> None:
    with pytest.raises(BadFile) as caught:
        parse_flight(b"[limits]\n", "here.toml")
    assert f"here.toml: {section}: is missing; add the section {remedy}" in str(caught.value).splitlines()


def test_a_missing_key_stands_at_its_section(flight_text: str) -> None:
    text, _ = spoil(flight_text, 'burst_diameter = "6.7 m"', "")
    line = text[: text.index("[balloon]")].count("\n") + 1
    with pytest.raises(BadFile) as caught:
        parse_flight(text.encode(), "f.toml")
    assert str(caught.value) == (
        f'f.toml:{line}: balloon.burst_diameter: is missing; add burst_diameter = "212 m" with your value'
    )


def test_all_mistakes_are_reported_at_once_in_the_order_of_the_file(flight_text: str) -> None:
    text = flight_text
    for name in (
        "escape sequence in a name",
        "unknown time zone",
        "no unit",
        "role twice",
        "half a baud",
        "port use twice",
        "expression that never ends",
        "unknown figure",
    ):
        text, _ = spoil(text, *CASES[name][:2])
    with pytest.raises(BadFile) as caught:
        parse_flight(text.encode(), "f.toml")
    problems = caught.value.problems
    assert [problem.key for problem in problems] == [
        "flight.name",
        "site.timezone",
        "balloon.mass",
        "sample.field[6].role",
        "link.baud",
        "port[2].use",
        "logger.exchange[1].expect",
        'limits."link.margn"',
    ]
    lines = [problem.line for problem in problems]
    assert lines == sorted(line for line in lines if line is not None)
    assert str(caught.value).count("\n") == len(problems) - 1


PACKED = """format = "packed"
sync = "AA55"
length = "9 B"
checksum = { name = "CRC-16/XMODEM" }
[[sample.field]]
name = "count"
role = "counter"
type = "I"
[[sample.field]]
name = "pressure"
unit = "hPa"
role = "pressure"
type = "H"
scale = 0.1
"""


def with_sample(flight_text: str, sample: str) -> str:
    start, end = flight_text.index("[sample]"), flight_text.index("# The line from the flight computer")
    return f'{flight_text[:start]}[sample]\nrate = "2 Hz"\n{sample}{flight_text[end:]}'


def problems_of(text: str) -> list[str]:
    try:
        parse_flight(text.encode(), "f.toml")
    except BadFile as bad:
        return [f"{problem.key}: {problem.message}" for problem in bad.problems]
    return []


def test_packed_samples(flight_text: str) -> None:
    good = with_sample(flight_text, PACKED)
    assert problems_of(good) == []
    assert problems_of(good.replace('type = "I"\n', "")) == ["sample.field[1].type: is missing"]
    assert problems_of(good.replace('"9 B"', '"7 B"')) == [
        "sample.length: is 7 B, sync bytes and fields alone take 8 B"
    ]
    assert problems_of(good.replace('type = "H"', 'type = "2x"')) == [
        "sample.field[2].role: padding has no value"
    ]
    assert problems_of(good.replace("scale = 0.1", "scale = 0")) == [
        "sample.field[2].scale: is zero: every value is lost"
    ]
    assert problems_of(good.replace('"AA55"', '"AA5"')) == ['sample.sync: is the text "AA5"']


def test_nmea_fields_name_their_sentence(flight_text: str) -> None:
    nmea = 'format = "nmea"\nlength = "82 B"\n[[sample.field]]\nname = "alt"\nkey = "GGA.alt"\n'
    assert problems_of(with_sample(flight_text, nmea)) == []
    assert problems_of(with_sample(flight_text, nmea.replace("GGA.", ""))) == [
        "sample.field[1].key: does not say which sentence it is read from"
    ]


def test_ports_need_a_baud_rate_from_somewhere(flight_text: str) -> None:
    start, end = flight_text.index("[link]"), flight_text.index("[[port]]")
    text = flight_text[:start] + flight_text[end:]
    assert problems_of(text) == [
        "port[1].baud: is missing and there is no [link]",
        "port[2].baud: is missing and there is no [link]",
    ]


def test_a_beacon_needs_power_from_somewhere(flight_text: str) -> None:
    start, end = flight_text.index("[battery]"), flight_text.index("[beacon]")
    text = flight_text[:start] + flight_text[end:]
    assert problems_of(text) == ["beacon: has no battery of its own and there is no [battery]"]


def test_tens_of_thousands_of_mistakes_end_soon() -> None:
    text = "\n".join(f"wrong{number} = {number}" for number in range(40_000))
    with pytest.raises(BadFile) as caught:
        parse_flight(text.encode(), "f.toml")
    assert len(caught.value.problems) == 201
    assert "rest not shown" in str(caught.value)


def test_good_values_arrive_in_si(flight_text: str, tmp_path: Path) -> None:
    path = tmp_path / "flight.toml"
    path.write_text(flight_text, encoding="utf-8")
    flight = load_flight(path)
    assert flight.balloon.mass == 0.75
    assert flight.site.temperature == 282.15
    assert flight.battery is not None
    assert flight.battery.capacity == 12240.0
    assert flight.flight.release.isoformat() == "2027-05-15T21:30:00+00:00"
    assert flight.limits["flight.landing_speed"].at_most == 6.0
    assert flight.wiring is not None
    assert flight.wiring.connection[0].from_ == "flight computer"


@pytest.mark.parametrize(
    ("limit", "at_most"),
    [("21.6 km/h", 6.0), ("6 m/s", 6.0)],
)
def test_limits_come_in_the_figures_own_unit(flight_text: str, limit: str, at_most: float) -> None:
    flight = parse_flight(flight_text.replace('"6 m/s"', f'"{limit}"').encode(), "f.toml")
    assert flight.limits["flight.landing_speed"].at_most == pytest.approx(at_most)


def test_a_release_with_another_offset_is_kept_in_utc(flight_text: str) -> None:
    text = flight_text.replace("2027-05-15T21:30:00Z", "2027-05-16T09:30:00+12:00")
    assert parse_flight(text.encode(), "f.toml").flight.release.isoformat() == "2027-05-15T21:30:00+00:00"
