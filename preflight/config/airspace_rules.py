"""What the tables of a rule set owe each other, checked on every table that is right by itself."""

from __future__ import annotations

from preflight.config.airspace import KIND_OF, Clause, Item, Notice, Position, Test, day
from preflight.config.flight_rules import unique
from preflight.config.found import Found, instead
from preflight.config.problems import Path, quoted
from preflight.config.quantities import BadQuantity, split_quantity, to_si

MOST_NESTED = 8
_Cited = Clause | Notice | Position | Item


def check_airspace(found: Found) -> None:
    """Note everything in a rule set that is wrong between keys."""
    clauses = found.all(Clause, "clause")
    groups: list[tuple[str, list[tuple[Path, _Cited]]]] = [
        ("clause", [*clauses]),
        ("notice", [*found.all(Notice, "notice")]),
        ("position", [*found.all(Position, "position")]),
        ("item", [*found.all(Item, "item")]),
    ]
    for noun, tables in groups:
        unique(found, [((*path, "id"), table.id) for path, table in tables], f"{noun} id")
    cited = [entry for _, tables in groups for entry in tables]
    given = {str(raw.get("gives")) for raw in _raw(found) if raw.get("gives")}
    for path, table in cited:
        _dated(found, path, table.text_of)
        for i, word in enumerate(table.when):
            if word not in given:
                remedy = instead(word, given) if given else "add gives to the clause it follows from"
                found.add((*path, "when", i), f"no clause gives {quoted(word)}", remedy)
    earlier: set[str] = set()
    everything = {str(raw.get("id")) for raw in _raw(found)}
    for path, clause in clauses:
        if clause.test is not None:
            _test(found, (*path, "test"), clause.test, earlier, everything)
        elif clause.gives is not None:
            found.add((*path, "gives"), "the clause has no test", "add a test, or leave gives out")
        earlier.add(clause.id)
    for path, notice in found.all(Notice, "notice"):
        _notice(found, path, notice)
    for path, position in found.all(Position, "position"):
        _printed(found, (*path, "every"), position.every, "duration")
        for key in ("above", "below"):
            _printed(found, (*path, key), getattr(position, key), "length")


def _raw(found: Found) -> list[dict[str, object]]:
    clauses = found.value("clause")
    return [raw for raw in clauses if isinstance(raw, dict)] if isinstance(clauses, list) else []


def _dated(found: Found, path: Path, text_of: str) -> None:
    try:
        day(text_of)
    except ValueError:
        found.add((*path, "text_of"), f"{quoted(text_of)} is no date", 'write "2024-01-01" or "unknown"')


def _printed(found: Found, path: Path, text: str | None, kind: str) -> None:
    if text is None:
        return
    try:
        if to_si(text, kind) <= 0:
            found.add(path, "is not above zero", "correct it")
    except BadQuantity as bad:
        found.add(path, bad.message, bad.remedy)


def _notice(found: Found, path: Path, notice: Notice) -> None:
    for key in ("earliest", "latest"):
        _printed(found, (*path, key), getattr(notice, key), "duration")
    takes = {"before": ("earliest", "latest"), "before-descent": ("latest",)}.get(notice.event, ())
    for key in ("earliest", "latest"):
        if key not in takes and getattr(notice, key) is not None:
            found.add((*path, key), f'has no meaning for event "{notice.event}"', "leave it out")
    if takes and notice.latest is None:
        found.add((*path, "latest"), "is missing", 'add latest = "6 h" with the printed time')
    if notice.earliest is not None and notice.latest is not None:
        try:
            backwards = to_si(notice.earliest, "duration") < to_si(notice.latest, "duration")
        except BadQuantity:  # noted above
            return
        if backwards:
            message = f"{notice.earliest} before is later than {notice.latest} before"
            found.add((*path, "earliest"), message, "swap or correct them")


def _test(
    found: Found, path: Path, test: Test, earlier: set[str], everything: set[str], *, depth: int = 0
) -> None:
    if depth > MOST_NESTED:
        found.add(path, "is nested too deep", "write it flatter")
        return
    ways = [key for key in ("quantity", "all", "any", "clause") if getattr(test, key)]
    if len(ways) != 1:
        said = f"has {' and '.join(ways)}" if ways else "tests nothing"
        found.add(path, said, "give quantity, sign and threshold, or all, or any, or clause")
        return
    if test.quantity is None:
        for key in ("sign", "threshold"):
            if getattr(test, key) is not None:
                found.add((*path, key), "stands without a quantity", "name the quantity it is about")
    else:
        _compared(found, path, test)
    if test.clause is not None and test.clause not in earlier:
        late = test.clause in everything
        message = f"{quoted(test.clause)} comes later in the file" if late else "no clause has this id"
        found.add((*path, "clause"), message, "name a clause that stands above this one")
    for key in ("all", "any"):
        for i, inner in enumerate(getattr(test, key)):
            _test(found, (*path, key, i), inner, earlier, everything, depth=depth + 1)


def _compared(found: Found, path: Path, test: Test) -> None:
    assert test.quantity is not None
    for key in ("sign", "threshold"):
        if getattr(test, key) is None:
            found.add((*path, key), "is missing", f"add it: what {test.quantity} is compared with")
    if test.threshold is None:
        return
    kind = KIND_OF[test.quantity]
    place = (*path, "threshold")
    if kind is not None:
        _printed(found, place, test.threshold, kind)
        return
    try:
        number, unit = split_quantity(test.threshold)
    except BadQuantity as bad:
        found.add(place, bad.message, bad.remedy)
        return
    if unit or number != int(number) or number < 0:
        found.add(place, f"{quoted(test.threshold)} is no count", 'write a whole number, as in "2"')
