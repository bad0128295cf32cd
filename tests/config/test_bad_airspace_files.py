"""Airspace rule sets: mistakes with line, key and remedy."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.config.airspace import KIND_OF, day
from preflight.config.load import find_airspace, load_airspace, parse_airspace
from preflight.config.problems import BadFile
from preflight.config.quantities import KINDS
from preflight.config.shipped import shipped_folder

GOOD = """\
[rules]
title = "An invented country"
short = "Ruritania"
authority = "the air office"
note = "Invented."
[[clause]]
id = "big"
about = "total mass"
citation = "Order 1, 2"
text_of = "2027-03-01"
confidence = "read at source"
words = "A payload of more than 5 kg in two packages or more."
gives = "big"
[[clause.test.all]]
quantity = "payload.mass"
sign = ">"
threshold = "5 kg"
[[clause.test.all]]
quantity = "payload.packages"
sign = ">="
threshold = "2"
[[clause]]
id = "small"
about = "total mass"
citation = "Order 1, 3"
text_of = "2027"
confidence = "from memory"
words = "Any other."
test = { clause = "big", negated = true }
[[notice]]
id = "form"
citation = "Order 1, 4"
text_of = "2027-03"
confidence = "read at source"
words = "A form."
to = "the air office"
earliest = "30 day"
latest = "7 day"
when = ["big"]
[[position]]
id = "hourly"
citation = "Order 1, 5"
text_of = "unknown"
confidence = "read at source"
words = "Position every hour below 10 km."
every = "1 h"
below = "10 km"
[[item]]
id = "colour"
title = "Colour"
citation = "Order 1, 6"
text_of = "2027"
confidence = "read at source"
words = "The colour of the balloon."
"""


def test_the_good_one_loads() -> None:
    rules = parse_airspace(GOOD.encode(), "own.toml")
    assert [clause.id for clause in rules.clause] == ["big", "small"]
    assert rules.oldest == "unknown"
    assert rules.item[0].fill is None


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "said"),
    [
        (
            'threshold = "5 kg"',
            'threshold = "5 m"',
            17,
            "clause[1].test.all[1].threshold",
            "a unit of length",
        ),
        ('threshold = "5 kg"', 'threshold = "5"', 17, "clause[1].test.all[1].threshold", "has no unit"),
        ('threshold = "5 kg"', 'threshold = "0 kg"', 17, "clause[1].test.all[1].threshold", "not above zero"),
        ('threshold = "5 kg"', "", 14, "clause[1].test.all[1].threshold", "is missing"),
        ('threshold = "2"', 'threshold = "2 kg"', 21, "clause[1].test.all[2].threshold", "is no count"),
        ('threshold = "2"', 'threshold = "2.5"', 21, "clause[1].test.all[2].threshold", "is no count"),
        (
            'sign = ">"\n',
            'sign = "=>"\n',
            16,
            "clause[1].test.all[1].sign",
            'is the text "=>"',
        ),
        ('"payload.mass"', '"payload.mas"', 15, "clause[1].test.all[1].quantity", "payload.mass"),
        ('clause = "big", ', 'clause = "bog", ', 29, "clause[2].test.clause", "no clause has this id"),
        ('clause = "big", ', 'clause = "small", ', 29, "clause[2].test.clause", "comes later in the file"),
        ('clause = "big", ', "", 29, "clause[2].test", "tests nothing"),
        ('clause = "big"', 'sign = ">", clause = "big"', 29, "clause[2].test.sign", "without a quantity"),
        ('"2027-03-01"', '"2027-13-01"', 10, "clause[1].text_of", "is no date"),
        ('"2027-03-01"', '"March"', 10, "clause[1].text_of", "a date"),
        ('"2027-03-01"', "2027-03-01", 10, "clause[1].text_of", "is a date or time"),
        ('confidence = "from memory"', 'confidence = "sure"', 27, "clause[2].confidence", "read at source"),
        ('when = ["big"]', 'when = ["huge"]', 39, "notice[1].when[1]", 'no clause gives "huge"'),
        ('earliest = "30 day"', 'earliest = "3 day"', 37, "notice[1].earliest", "is later than 7 day before"),
        ('latest = "7 day"\n', "", 30, "notice[1].latest", "is missing"),
        ('latest = "7 day"', 'latest = "7 days"', 38, "notice[1].latest", 'write "day"'),
        ('latest = "7 day"', 'latest = "7 day"\nevent = "launch"', 37, "notice[1].earliest", "no meaning"),
        ('every = "1 h"', 'every = "-1 h"', 46, "position[1].every", "is not above zero"),
        ('below = "10 km"', 'below = "10 kg"', 47, "position[1].below", "a unit of mass"),
        ('gives = "big"\n', 'gives = "big"\ngive = "x"\n', 14, "clause[1].give", "unknown key"),
        ('id = "small"', 'id = "big"', 23, "clause[2].id", "is a clause id already taken"),
        ('id = "small"', 'id = "Small One"', 23, "clause[2].id", "lower case"),
    ],
)
def test_a_mistake_is_told_with_line_and_key(old: str, new: str, line: int, key: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(BadFile) as bad:
        parse_airspace(GOOD.replace(old, new, 1).encode(), "own.toml")
    first = next(each for each in bad.value.problems if each.key == key)
    assert first.line == line
    assert said in f"{first.message}; {first.remedy}"


def test_a_class_needs_a_test() -> None:
    text = GOOD.replace('test = { clause = "big", negated = true }', 'gives = "small"')
    with pytest.raises(BadFile, match="the clause has no test"):
        parse_airspace(text.encode(), "own.toml")


def test_two_ways_in_one_test() -> None:
    text = GOOD.replace('clause = "big", negated', 'clause = "big", any = [{ clause = "big" }], negated')
    with pytest.raises(BadFile, match="has any and clause; give quantity, sign and threshold"):
        parse_airspace(text.encode(), "own.toml")


def test_nesting_ends() -> None:
    inner = '{ clause = "big" }'
    for _ in range(12):
        inner = f"{{ all = [{inner}] }}"
    with pytest.raises(BadFile, match="nested too deep"):
        parse_airspace(GOOD.replace('{ clause = "big", negated = true }', inner).encode(), "own.toml")


def test_every_quantity_has_a_known_kind() -> None:
    assert all(kind is None or kind in KINDS for kind in KIND_OF.values())


@given(st.sampled_from(["2027", "2027-02", "2027-02-28", "unknown"]))
def test_days_of_texts(text: str) -> None:
    found = day(text)
    assert (found is None) is (text == "unknown")
    assert found is None or found.isoformat().startswith(text)


def test_own_rules_come_before_the_shipped_ones(tmp_path: Path) -> None:
    assert find_airspace("cfr-101.toml", tmp_path) == shipped_folder() / "airspace" / "cfr-101.toml"
    (tmp_path / "cfr-101.toml").write_text(GOOD)
    assert load_airspace(find_airspace("cfr-101.toml", tmp_path)).rules.short == "Ruritania"


@pytest.mark.parametrize("name", ["/etc/passwd", "../rules.toml", "C:\\rules.toml"])
def test_rules_stay_beside_the_flight_file(name: str, flight_text: str) -> None:
    from preflight.config.load import parse_flight

    text = flight_text.replace('"icao-annex-2.toml"', f"'{name}'")
    with pytest.raises(BadFile, match="leads out of"):
        parse_flight(text.encode(), "flight.toml")
