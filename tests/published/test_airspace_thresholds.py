"""The figures of the shipped airspace rule sets against the texts they were taken from.

14 CFR 101.1(a)(4), read at source: page 912 of the edition of 1 January 2019 (a transcription of the page).
14 CFR 101.35(d), read at source: page 891 of the edition of 1 January 2024.
SERA Appendix 2, 1.1, read at source: Regulation (EU) No 923/2012, archive copy of 31 January 2020.

Every number is tried at, just below and just above, in the printed unit and in SI.
"""

import re

import pytest
from airspace_making import EU, US, flight_with, shipped_rules

from preflight.figures.airspace import STANDING, AirspaceFacts, airspace_facts
from preflight.figures.notification import clause_text


def facts(*packages: tuple[str, str | None], **more: object) -> AirspaceFacts:
    return airspace_facts(flight_with(*packages, **more), shipped_rules())  # type: ignore[arg-type]


def met(found: AirspaceFacts, rules: str, clause: str) -> bool | None:
    return found.clause(rules, clause).met


# -- 14 CFR 101.1(a)(4)(ii): "weighs more than six pounds". 6 lb = 2.72155422 kg exactly


@pytest.mark.parametrize(
    ("mass", "reached"),
    [
        ("5.999 lb", False),
        ("6 lb", False),
        ("6.001 lb", True),
        ("2.72155 kg", False),
        ("2.72155422 kg", False),
        ("2.72156 kg", True),
        ("96 oz", False),
        ("96.01 oz", True),
    ],
)
def test_us_single_package_is_more_than_6_lb(mass: str, reached: bool) -> None:
    assert met(facts((mass, "1 m^2")), US, "heavy-package") is reached


# -- 14 CFR 101.1(a)(4)(i): "more than four pounds and ... more than three ounces per square inch"

DENSE = "20 in^2"  # 3 oz/in2 on 20 in2 is 60 oz = 3.75 lb: dense for anything near 4 lb


@pytest.mark.parametrize(
    ("mass", "reached"),
    [
        ("3.999 lb", False),
        ("4 lb", False),
        ("4.001 lb", True),
        ("1.81436 kg", False),
        ("1.81436948 kg", False),
        ("1.81438 kg", True),
    ],
)
def test_us_dense_package_is_more_than_4_lb(mass: str, reached: bool) -> None:
    assert met(facts((mass, DENSE)), US, "dense-package") is reached


@pytest.mark.parametrize(
    ("face", "reached"),
    [
        # 5 lb = 80 oz: at 3 oz/in2 its face is 80/3 in2
        ("26.66 in^2", True),
        ("26.667 in^2", False),
        ("24 in^2", True),
        # 80/3 in2 = 172.0427 cm2
        ("172.0 cm^2", True),
        ("172.1 cm^2", False),
    ],
)
def test_us_dense_package_is_more_than_3_oz_per_square_inch(face: str, reached: bool) -> None:
    assert met(facts(("5 lb", face)), US, "dense-package") is reached


def test_us_density_of_exactly_3_oz_per_square_inch_is_not_more() -> None:
    # 4.5 lb = 72 oz on 24 in2; the same in SI: 2.041165665 kg on 154.83840 cm2
    assert met(facts(("4.5 lb", "24 in^2")), US, "dense-package") is False
    assert met(facts(("2.041165665 kg", "154.8384 cm^2")), US, "dense-package") is False
    assert met(facts(("2.041165665 kg", "154.83 cm^2")), US, "dense-package") is True


def test_the_half_that_summaries_drop() -> None:
    """3 oz per square inch alone does not meet 101.1(a)(4)(i): the text says AND more than four pounds."""
    small_and_dense = facts(("2 lb", "5 in^2"))  # 6.4 oz/in2
    fact = small_and_dense.clause(US, "dense-package")
    assert fact.met is False
    assert [(each.quantity, each.met) for each in fact.compared] == [
        ("package.mass", False),
        ("package.area_density", True),
    ]
    assert "more than 4 lb" in fact.clause.words
    assert any("AND" in rules.rules.note for rules in shipped_rules())


def test_both_halves_are_about_one_package() -> None:
    heavy_and_flat, light_and_dense = ("5 lb", "100 in^2"), ("1 lb", "2 in^2")
    assert met(facts(heavy_and_flat, light_and_dense), US, "dense-package") is False
    assert met(facts(heavy_and_flat, ("4.5 lb", "10 in^2")), US, "dense-package") is True


# -- 14 CFR 101.1(a)(4)(iii): "two or more packages, that weighs more than 12 pounds"


@pytest.mark.parametrize(
    ("masses", "reached"),
    [
        (("5.999 lb", "6 lb"), False),
        (("6 lb", "6 lb"), False),
        (("6 lb", "6.001 lb"), True),
        (("2.72155422 kg", "2.72155422 kg"), False),
        (("2.72155422 kg", "2.72156 kg"), True),
        (("2 lb",) * 6, False),
        (("2 lb",) * 5 + ("2.001 lb",), True),
        (("12.5 lb",), False),  # one package
        (("12.5 lb", "1 oz"), True),
    ],
)
def test_us_payload_of_two_or_more_is_more_than_12_lb(masses: tuple[str, ...], reached: bool) -> None:
    assert met(facts(*((mass, "1 m^2") for mass in masses)), US, "heavy-payload") is reached


# -- 14 CFR 101.1(a)(4)(iv): "an impact force of more than 50 pounds". 50 lbf = 222.4110807630 N


@pytest.mark.parametrize(
    ("force", "reached"),
    [
        ("49.99 lbf", False),
        ("50 lbf", False),
        ("50.01 lbf", True),
        ("222.41 N", False),
        ("222.4110807630 N", False),
        ("222.42 N", True),
    ],
)
def test_us_suspension_takes_more_than_50_lb(force: str, reached: bool) -> None:
    assert met(facts(suspension_break=force), US, "strong-suspension") is reached


# -- 14 CFR 101.35(d): "more than 50 feet". 50 ft = 15.24 m


@pytest.mark.parametrize(
    ("length", "reached"),
    [("49.99 ft", False), ("50 ft", False), ("50.01 ft", True), ("15.24 m", False), ("15.25 m", True)],
)
def test_us_suspension_device_is_more_than_50_ft(length: str, reached: bool) -> None:
    assert met(facts(suspension_length=length), US, "long-suspension") is reached


# -- SERA Appendix 2, 1.1(c)(1): "a combined mass of 6 kg or more"


@pytest.mark.parametrize(
    ("masses", "reached"),
    [
        (("2.9 kg", "2.9 kg", "0.199 kg"), False),
        (("2.9 kg", "2.9 kg", "0.2 kg"), True),
        (("2.9 kg", "2.9 kg", "0.201 kg"), True),
        (("0.6 kg",) * 10, True),
        (("13.227 lb",), False),  # 5.99967 kg
        (("13.228 lb",), True),  # 6.00012 kg
    ],
)
def test_eu_heavy_is_6_kg_or_more_together(masses: tuple[str, ...], reached: bool) -> None:
    assert met(facts(*((mass, "1 m^2") for mass in masses)), EU, "heavy-total") is reached


# -- SERA Appendix 2, 1.1(c)(2): "a package of 3 kg or more"


@pytest.mark.parametrize(
    ("mass", "reached"),
    [
        ("2.999 kg", False),
        ("3 kg", True),
        ("3000 g", True),
        ("3.001 kg", True),
        ("6.613 lb", False),
        ("6.614 lb", True),
    ],
)
def test_eu_heavy_is_a_package_of_3_kg_or_more(mass: str, reached: bool) -> None:
    assert met(facts((mass, "1 m^2")), EU, "heavy-package") is reached


# -- SERA Appendix 2, 1.1(c)(3): "2 kg or more with an area density of more than 13 g per square centimetre"


@pytest.mark.parametrize(
    ("mass", "reached"),
    [
        ("1.999 kg", False),
        ("2 kg", True),
        ("2.001 kg", True),
        ("4.409 lb", False),
        ("4.41 lb", True),
    ],
)
def test_eu_dense_package_is_2_kg_or_more(mass: str, reached: bool) -> None:
    assert met(facts((mass, "100 cm^2")), EU, "dense-package") is reached


@pytest.mark.parametrize(
    ("mass", "face", "reached"),
    [
        ("2.6 kg", "200.1 cm^2", False),
        ("2.6 kg", "200 cm^2", False),  # 13 g/cm2 exactly is not more
        ("2.6 kg", "199.9 cm^2", True),
        ("2.6 kg", "0.02 m^2", False),
        ("2.6 kg", "0.01999 m^2", True),
        ("2.6 kg", "31.01 in^2", False),  # 200.06 cm2
        ("2.6 kg", "30.99 in^2", True),
    ],
)
def test_eu_density_is_more_than_13_g_per_square_centimetre(mass: str, face: str, reached: bool) -> None:
    assert met(facts((mass, face)), EU, "dense-package") is reached


# -- SERA Appendix 2, 1.1(c)(4): "an impact force of 230 N or more"


@pytest.mark.parametrize(
    ("force", "reached"),
    [
        ("229.99 N", False),
        ("230 N", True),
        ("230.01 N", True),
        ("51.70 lbf", False),  # 229.97 N
        ("51.71 lbf", True),  # 230.02 N
    ],
)
def test_eu_suspension_takes_230_n_or_more(force: str, reached: bool) -> None:
    assert met(facts(suspension_break=force), EU, "strong-suspension") is reached


# -- SERA Appendix 2, 1.1(a) and (b): "less than 4 kg", "4 kg or more, but less than 6 kg", of two or more


@pytest.mark.parametrize(
    ("masses", "words"),
    [
        (("2 kg", "1.999 kg"), ("light",)),
        (("2 kg", "2 kg"), ("medium",)),
        (("2 kg", "2.001 kg"), ("medium",)),
        (("1 kg",) * 5 + ("0.999 kg",), ("medium",)),
        (("1 kg",) * 6, ("heavy",)),
        (("8.81 lb",), ("heavy",)),  # 3.996 kg, one package of 3 kg or more
        (("4.409 lb", "4.409 lb"), ("light",)),  # 3.9997 kg
        (("4.41 lb", "4.409 lb"), ("medium",)),  # 4.0002 kg
        (("5 kg",), ("heavy",)),  # no gap: one package of 4 to 6 kg is 3 kg or more
        (("0.5 kg",), ("light",)),
    ],
)
def test_eu_classes(masses: tuple[str, ...], words: tuple[str, ...]) -> None:
    assert facts(*((mass, "1 m^2") for mass in masses)).given[EU] == words


@pytest.mark.parametrize(
    "heavy",
    [
        {"packages": (("3 kg", "1 m^2"),)},
        {"packages": (("2 kg", "100 cm^2"),)},
        {"packages": (("1 kg", "1 m^2"),), "suspension_break": "230 N"},
        {"packages": (("3 kg", "1 m^2"), ("2 kg", "1 m^2"))},
    ],
)
def test_eu_less_than_the_mass_is_heavy_all_the_same(heavy: dict[str, object]) -> None:
    packages = heavy.pop("packages")
    assert facts(*packages, **heavy).given[EU] == ("heavy",)  # type: ignore[misc]


# -- where the two texts disagree


@pytest.mark.parametrize(
    ("packages", "more", "clause", "us", "eu"),
    [
        # 1.9 kg at 19 g/cm2: more than 4 lb and 3 oz/in2, less than 2 kg
        ((("1.9 kg", "100 cm^2"),), {}, ("dense-package", "dense-package"), True, False),
        # a single package of 2.8 kg: more than 6 lb, less than 3 kg
        ((("2.8 kg", "1 m^2"),), {}, ("heavy-package", "heavy-package"), True, False),
        # 5 kg in two packages: not more than 12 lb, 4 kg or more
        ((("2.5 kg", "1 m^2"), ("2.5 kg", "1 m^2")), {}, ("heavy-payload", "medium"), False, True),
        # a line that parts at 225 N: more than 50 lbf, less than 230 N
        ((("1 kg", "1 m^2"),), {"suspension_break": "225 N"}, ("strong-suspension",) * 2, True, False),
    ],
)
def test_the_four_cases_in_which_the_texts_disagree(
    packages: tuple[tuple[str, str], ...],
    more: dict[str, str],
    clause: tuple[str, str],
    us: bool,
    eu: bool,
) -> None:
    found = facts(*packages, **more)
    assert (met(found, US, clause[0]), met(found, EU, clause[1])) == (us, eu)
    topic = found.clause(US, clause[0]).clause.about
    (difference,) = [each for each in found.differences if each.about == topic]
    assert difference.figures
    assert len({passage.split(",")[0].split(" 1")[0] for passage in difference.passages}) == 2


def test_the_texts_also_differ_on_ending_the_flight_of_the_envelope() -> None:
    # 101.35(a)(2) asks it of all it applies to, SERA 3.3(b) only of polyethylene zero-pressure balloons.
    found = facts(("1 kg", "1 m^2"))
    assert "termination of the envelope" in {each.about for each in found.differences if not each.figures}
    assert "polyethylene" in found.clause(EU, "envelope-termination").clause.words


# -- what is shown


def test_both_units_and_the_printed_sign_are_shown() -> None:
    found = facts(("1.02 kg", "180 cm^2"))
    us = clause_text(found.clause(US, "dense-package"))
    assert "2.25 lb (1.02 kg), printed > 4 lb (1.814 kg): not met" in us
    assert "1.29 oz/in² (5.67 g/cm²), 35.98 oz on 27.9 in², printed > 3 oz/in² (13.18 g/cm²)" in us
    eu = clause_text(found.clause(EU, "dense-package"))
    assert "5.67 g/cm², 1.02 kg on 180 cm², printed > 13 g/cm²: not met" in eu
    assert "printed ≥ 2 kg" in eu
    assert "printed > 50 lbf (222.4 N)" in clause_text(found.clause(US, "strong-suspension"))


@pytest.mark.parametrize(("mass", "shown"), [("5.9999 lb", "5.9999 lb"), ("6.000001 lb", "6.000001 lb")])
def test_no_figure_is_rounded_onto_its_threshold(mass: str, shown: str) -> None:
    text = facts((mass, "1 m^2")).clause(US, "heavy-package").compared[0].figure
    assert not re.match(r"6 lb", text)
    assert text.startswith(shown[:6])


def test_what_is_missing_is_said() -> None:
    found = facts(("5 lb", None), suspension_break=None)
    assert met(found, US, "dense-package") is None
    assert met(found, US, "heavy-package") is False
    assert met(found, EU, "strong-suspension") is None
    assert found.missing == (
        "smallest_face of package box 1 is not declared",
        "the flight file has no payload.suspension_break",
    )
    assert found.given == {US: (), EU: ()}
    # Nothing is asked that decides nothing: 1 lb is not more than 4 lb, whatever its faces are.
    assert met(facts(("1 lb", None)), US, "dense-package") is False


def test_what_follows_from_a_clause_is_told_with_it() -> None:
    quiet, loud = facts(("1 kg", "1 m^2")), facts(("6.5 lb", "1 m^2"))
    unknown = facts(("5 lb", None))
    for found, binds in ((quiet, False), (loud, True), (unknown, None)):
        assert found.clause(US, "cloud").binds is binds
        assert found.clause(US, "hazard").binds is True  # 101.7 is excepted from the exceptions


def test_every_passage_says_where_it_stands_and_how_it_was_read() -> None:
    marked = {"cloud", "visibility", "congested-area"}
    for rules in shipped_rules():
        for part in (*rules.clause, *rules.notice, *rules.position, *rules.item):
            assert re.search(r"101\.\d+|Appendix 2, \d", part.citation), part.id
            assert part.text_of
        for clause in rules.clause:
            if clause.id in marked:
                assert clause.confidence != "read at source"
                assert clause.confidence in clause_text(
                    airspace_facts(flight_with(), (rules,)).clause(rules.rules.short, clause.id)
                )
            if clause.test is not None:
                assert clause.confidence == "read at source"


def test_no_verdict_is_ever_printed() -> None:
    words = " ".join(
        text
        for rules in shipped_rules()
        for text in (
            rules.rules.note,
            *(part.words for part in (*rules.clause, *rules.notice, *rules.position, *rules.item)),
        )
    )
    found = facts(("6.5 lb", "10 in^2"))
    words += " ".join(clause_text(fact) for fact in found.clauses) + STANDING
    assert not re.search(r"\b(legal|illegal|exempt|permitted)\b", words, re.I)
    assert "authority decides" in STANDING
