"""A flight's figures beside the clauses of airspace rule sets: facts, never a verdict.

Each comparison is made exactly as the text prints it: its sign, its unit, its "and" and "or". What can't be
told for want of a figure is said to be so. The local authority decides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from preflight.clean import clean
from preflight.config.airspace import KIND_OF, Clause, RuleSet, Test
from preflight.config.flight import Flight, Package
from preflight.config.quantities import split_quantity, to_si
from preflight.figures.compute import FlightFigures
from preflight.figures.printed import SIGNS, both_units, face_text, holds, mark, threshold_text

STANDING = "The local authority decides. Rules change: read the current text, and ask."
"""Goes with every fact, wherever it is shown."""

_NAMES = {
    "package.mass": "mass",
    "package.area_density": "mass over its smallest face",
    "payload.mass": "all packages together",
    "payload.packages": "packages",
    "suspension.break": "suspension parts at",
    "suspension.length": "length of the suspension",
    "antenna.length": "length of the trailing antenna",
    "balloon.release_diameter": "balloon's diameter at release",
    "flight.burst_altitude": "burst altitude",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One comparison: a figure beside its printed threshold.

    `value` and `threshold` are in the SI unit of their kind (a count has none); `met` is None where the
    figure is `missing`, which then says what to declare. `subject` names the package it is about.
    """

    quantity: str
    subject: str
    value: float | None
    sign: str
    threshold: float
    met: bool | None
    missing: str
    figure: str
    printed: str

    @property
    def text(self) -> str:
        """In words: "instrument pack: mass 2.95 lb (1.34 kg), printed > 4 lb (1.814 kg): not met"."""
        about = f"{self.subject}: " if self.subject else ""
        if self.value is None:
            return f"{about}{_NAMES[self.quantity]} not known ({self.missing}), printed {self.printed}"
        said = "met" if self.met else "not met"
        return f"{about}{_NAMES[self.quantity]} {self.figure}, printed {self.printed}: {said}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClauseFact:
    """One clause beside the flight.

    `met` is whether its test is met as printed; None where it has no test or a figure is missing. `binds`
    is whether what it follows from (`when`) is met; True without such a condition, None if unknown.
    """

    rules: str
    clause: Clause
    met: bool | None
    compared: tuple[Compared, ...]
    missing: tuple[str, ...]
    binds: bool | None = True

    @property
    def state(self) -> str:
        """In a word or two: "met", "not met", "not known", "no figure"."""
        if self.clause.test is None:
            return "no figure"
        return {True: "met", False: "not met", None: "not known"}[self.met]


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A topic on which rule sets are not alike: each passage, with thresholds where it has `figures`."""

    about: str
    passages: tuple[str, ...]
    figures: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AirspaceFacts:
    """All clauses of all rule sets beside one flight.

    `given` are the words the texts have for it ("medium"), by rule set, that follow from clauses whose
    tests are met. `missing` says what to declare before every test can be made.
    """

    clauses: tuple[ClauseFact, ...]
    differences: tuple[Difference, ...]
    given: Mapping[str, tuple[str, ...]]
    missing: tuple[str, ...]

    def clause(self, rules: str, clause_id: str) -> ClauseFact:
        """The fact of one clause by the rule set's short name and its id. Raises KeyError."""
        for fact in self.clauses:
            if (fact.rules, fact.clause.id) == (rules, clause_id):
                return fact
        raise KeyError(f"{rules} {clause_id}")


def airspace_facts(
    flight: Flight, rules: Sequence[RuleSet], figures: FlightFigures | None = None
) -> AirspaceFacts:
    """The clauses of `rules` beside `flight`; `figures` are its own, for what is measured or computed."""
    known = Quantities(flight, figures)
    facts: list[ClauseFact] = []
    given: dict[str, tuple[str, ...]] = {}
    for rule_set in rules:
        own = _of_one(rule_set, known)
        facts += own
        met = [fact.clause.gives for fact in own if fact.met and fact.clause.gives is not None]
        given[rule_set.rules.short] = tuple(dict.fromkeys(met))
    missing = dict.fromkeys(each for fact in facts for each in fact.missing)
    return AirspaceFacts(
        clauses=tuple(facts),
        differences=tuple(_differences(facts)),
        given=given,
        missing=tuple(missing),
    )


def binds(rule_set: RuleSet, when: Sequence[str], met: Mapping[str, bool | None]) -> bool | None:
    """Whether any clause that gives one of `when` is met; True without conditions, None if unknown.

    `met` holds the clauses' answers by id.
    """
    if not when:
        return True
    return _any(met.get(clause.id) for clause in rule_set.clause if clause.gives in when)


class Quantities:
    """What a flight has of the quantities that tests ask for, in SI, and what is missing for the others."""

    def __init__(self, flight: Flight, figures: FlightFigures | None) -> None:
        self.packages = flight.payload.package
        self._values: dict[str, tuple[float | None, str]] = {
            "payload.mass": (_total(flight, figures), ""),
            "payload.packages": (float(len(self.packages)), ""),
            "suspension.break": (
                flight.payload.suspension_break,
                "the flight file has no payload.suspension_break",
            ),
            "suspension.length": (
                flight.payload.suspension_length,
                "the flight file has no payload.suspension_length",
            ),
            "antenna.length": (
                None if flight.airspace is None else flight.airspace.antenna_length,
                "the flight file has no airspace.antenna_length",
            ),
            "balloon.release_diameter": (
                _computed(figures, "flight.release_diameter"),
                "no fill can be computed",
            ),
            "flight.burst_altitude": (
                _computed(figures, "flight.burst_altitude"),
                "no burst can be computed",
            ),
        }

    def value(self, quantity: str, package: Package | None) -> tuple[float | None, str]:
        """The value in SI, or None with what is missing."""
        if quantity == "package.mass" and package is not None:
            return package.mass, ""
        if quantity == "package.area_density" and package is not None:
            if package.smallest_face is None:
                return None, f"smallest_face of package {clean(package.name, limit=80)} is not declared"
            return package.mass / package.smallest_face, ""
        return self._values[quantity]


def _total(flight: Flight, figures: FlightFigures | None) -> float:
    weighed = None
    if figures is not None:
        weighed = next((each for each in figures.inputs if each.name == "payload.mass"), None)
    if weighed is not None and weighed.source == "measured" and isinstance(weighed.value, (int, float)):
        return float(weighed.value)
    return float(sum(Decimal(repr(package.mass)) for package in flight.payload.package))


def _computed(figures: FlightFigures | None, name: str) -> float | None:
    reading = None if figures is None else figures.figure(name)
    return float(reading.value) if reading is not None and isinstance(reading.value, (int, float)) else None


def _of_one(rule_set: RuleSet, known: Quantities) -> list[ClauseFact]:
    answers: dict[str, bool | None] = {}
    facts = []
    for clause in rule_set.clause:
        met: bool | None = None
        compared: list[Compared] = []
        if clause.test is not None:
            met, compared = _tested(clause.test, known, answers)
            answers[clause.id] = met
        missing = [each.missing for each in compared if each.missing] if met is None else []
        facts.append(
            ClauseFact(
                rules=rule_set.rules.short,
                clause=clause,
                met=met,
                compared=tuple(compared),
                missing=tuple(dict.fromkeys(missing)),
                binds=binds(rule_set, clause.when, answers),
            )
        )
    return facts


def _tested(
    test: Test, known: Quantities, answers: Mapping[str, bool | None]
) -> tuple[bool | None, list[Compared]]:
    """Whether a test is met, for any one package where it asks about packages; and every comparison made."""
    compared: list[Compared] = []
    subjects: Sequence[Package | None] = known.packages if _about_packages(test) else (None,)
    met = _any([_answer(test, known, answers, package, compared.append) for package in subjects])
    seen: dict[tuple[str, str, str, float], Compared] = {}
    for each in compared:
        seen.setdefault((each.quantity, each.subject, each.sign, each.threshold), each)
    return met, list(seen.values())


def _about_packages(test: Test) -> bool:
    if test.quantity is not None:
        return test.quantity.startswith("package.")
    return any(_about_packages(inner) for inner in (*test.all, *test.any))


def _answer(
    test: Test,
    known: Quantities,
    answers: Mapping[str, bool | None],
    package: Package | None,
    note: Callable[[Compared], None],
) -> bool | None:
    met: bool | None
    if test.quantity is not None:
        compared = _compare(test, known, package)
        note(compared)
        met = compared.met
    elif test.clause is not None:
        met = answers.get(test.clause)
    elif test.all:
        inner = [_answer(each, known, answers, package, note) for each in test.all]
        met = _not(_any(_not(each) for each in inner))
    else:
        met = _any([_answer(each, known, answers, package, note) for each in test.any])
    return _not(met) if test.negated else met


def _not(answer: bool | None) -> bool | None:
    return None if answer is None else not answer


def _any(answers: Iterable[bool | None]) -> bool | None:
    """True if one is, else None if one is not known, else False."""
    known = list(answers)
    return True if True in known else None if None in known else False


def _compare(test: Test, known: Quantities, package: Package | None) -> Compared:
    assert test.quantity is not None
    assert test.sign is not None
    assert test.threshold is not None
    kind = KIND_OF[test.quantity]
    value, missing = known.value(test.quantity, package)
    number, unit = split_quantity(test.threshold)
    threshold = float(number) if kind is None else to_si(test.threshold, kind)
    figure = ""
    if value is not None:
        figure = both_units(value, kind, unit, near=threshold)
        if test.quantity == "package.area_density" and package is not None:
            figure += f", {face_text(package, unit)}"
    return Compared(
        quantity=test.quantity,
        subject="" if package is None else clean(package.name, limit=80),
        value=value,
        sign=SIGNS[test.sign],
        threshold=threshold,
        met=None if value is None else holds(value, test.sign, threshold),
        missing="" if value is not None else missing,
        figure=figure,
        printed=f"{SIGNS[test.sign]} {threshold_text(test.threshold, threshold, kind, unit)}",
    )


def _differences(facts: Sequence[ClauseFact]) -> Iterable[Difference]:
    topics: dict[str, list[ClauseFact]] = {}
    for fact in facts:
        topics.setdefault(fact.clause.about, []).append(fact)
    for about, own in topics.items():
        if len({fact.rules for fact in own}) > 1 and len({_wording(fact, own) for fact in own}) > 1:
            passages = tuple(_passage(fact) for fact in own)
            figures = any(fact.clause.test is not None for fact in own)
            yield Difference(about=about, passages=passages, figures=figures)


def _wording(fact: ClauseFact, others: Sequence[ClauseFact]) -> object:
    """What makes two clauses the same: their tests in SI; without any, their words."""
    if all(other.clause.test is None for other in others):
        return fact.clause.words
    return tuple(sorted((each.quantity, each.sign, round(each.threshold, 9)) for each in fact.compared))


def _passage(fact: ClauseFact) -> str:
    where = f"{fact.clause.citation}{mark(fact.clause.confidence)}"
    if fact.clause.test is None:
        return where
    tests = dict.fromkeys(f"{_NAMES[each.quantity]} {each.printed}" for each in fact.compared)
    gives = f" ({fact.clause.gives})" if fact.clause.gives else ""
    return f"{where}{gives}: {' and '.join(tests)}: {fact.state}"
