"""The one line that says why it is not go: at 80 columns the meaning of every reason is on it, whole."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any

import pytest
from said_against_go import CLAUSE, MODULES, sentences
from small_flight import START

from preflight.readings import Reading
from preflight.tui.draw.verdict import verdict_line
from preflight.walk.state import GateState, Reason
from preflight.walk.waivers import told

LONGEST_ID = "flight-computed-again"
LEAST = 24
LONG_TITLE = "Fill, and everything that goes with it"
HELD = SimpleNamespace(
    signer="ines", at=SimpleNamespace(at=START), data=SimpleNamespace(claimed=None, reason="gust above 9 m/s")
)


def drawn(
    reason: str, width: int = 80, *, outcome: str = "no-go", more: int = 12, held: bool = False, **about: Any
) -> str:
    """The line for a step with a reason, at the release gate."""
    step_id = about.get("step_id", LONGEST_ID)
    finding, waiting = about.get("finding"), about.get("waiting", "finding")
    step = SimpleNamespace(outcome=outcome, reason=reason, finding=finding, waiting=waiting)
    text = f"{step_id}: {reason}" if outcome == "no-go" else f"{step_id} is {outcome}: {reason}"
    first = about.get("first") or Reason(text, step=step_id)
    reasons = (first, *([Reason("hold: gust")] if held else []), *([Reason("another")] * more))
    verdict = "no-go" if outcome == "no-go" and first.step else "hold"
    state = SimpleNamespace(
        released=None,
        scrubbed=None,
        closed=None,
        holds=(HELD,) if held else (),
        gate=GateState("release", verdict, reasons, {}, None),
        phases={"fill": SimpleNamespace(phase=SimpleNamespace(title=LONG_TITLE))},
    )
    view = SimpleNamespace(
        state=state, step=lambda _: step, person=lambda _: "Ines Exampleperson", seals_due=()
    )
    line = verdict_line(SimpleNamespace(view=view), width)  # type: ignore[arg-type]
    assert line.cell_length == width
    return line.plain


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_every_reason_of_a_check_is_told_at_80_columns(path) -> None:
    for _, sentence in sentences(path):
        meaning = CLAUSE.split(sentence, maxsplit=1)[0]
        for outcome, said in (("no-go", sentence), ("open", f"Not checked: {sentence}")):
            line = drawn(said, outcome=outcome)
            # Whose it is stands before it, whole or by its two ends; of a long one the beginning.
            own = re.search(r"(flight-computed-again|flight…again)(: | not checked: | unchecked: )", line)
            assert own is not None, line
            assert own[2] == ": " if outcome == "no-go" else "checked" in own[2]
            shown = line[own.end() :].split("…")[0].strip()
            assert shown.startswith(meaning) or (meaning.startswith(shown) and len(shown) >= LEAST), line
            assert meaning in drawn(said, 100, outcome=outcome)
            assert "+12" in line


def test_detail_follows_the_meaning_as_far_as_there_is_room_between_words() -> None:
    said = "Heard nothing for 2 s: exchange 1 sent “?␍”. Check that the logger is powered, its lead on"
    lines = {width: drawn(said, width, step_id="logger", more=2).rstrip() for width in (60, 80, 100, 160)}
    assert lines[80] == "  ■ NO-GO  at the release gate: logger: Heard nothing for 2 s …  (+2 more: j)"
    assert lines[60] == "  ■ NO-GO  release: logger: Heard nothing for 2 s …  +2: j"
    assert "Heard nothing for 2 s: exchange 1 sent “?␍” …" in lines[100]
    assert lines[160].endswith("its lead on  (+2 more: j)")


def test_a_reading_beyond_its_limit_is_told_with_both_numbers() -> None:
    reading = Reading(name="flight.landing_speed_fouled", value=12.34, unit="m/s", at_most=9.0)
    finding: Any = SimpleNamespace(readings=(reading,), act=SimpleNamespace(data=None), outcome="no-go")
    whole = told(finding)
    assert whole == "flight.landing_speed_fouled 12.34 m/s, limit at most 9 m/s"
    assert "flight.landing_speed_fouled 12.34 m/s > 9 m/s" in drawn(whole, finding=finding)
    assert f"{LONGEST_ID}: {whole}" in drawn(whole, 160, finding=finding)
    low: Any = SimpleNamespace(
        readings=(Reading(name="link.margin", value=1.62, at_least=2.0),), act=None, outcome="no-go"
    )
    lapsed = f"waiver expired 08:12 UTC: {told(low)}"
    assert "waiver expired 08:12 UTC: link.margin 1.62 < 2" in drawn(lapsed, finding=low, step_id="line")


def test_a_hold_beside_a_no_go_is_never_hidden_and_hides_no_reason() -> None:
    line = drawn("The card is write-protected: move the slide on the card", held=True, more=3)
    assert "The card is write-protected" in line
    assert "‖ HOLD" in line
    line = drawn("The card is full", held=True, more=0, width=100)
    assert "Ines Exampleperson 07:00Z" in line
    assert drawn("", outcome="open", held=True).startswith("  ‖ HOLD  release: hold by Ines E. 07:00Z: gust")


@pytest.mark.parametrize("width", [40, 60, 80, 100])
def test_other_reasons_end_in_what_they_say(width: int) -> None:
    phase = Reason(f"phase {LONG_TITLE} was not called complete", phase="fill")
    line = drawn("", width, first=phase)
    assert width < 60 or "not called complete" in line
    at = "/dev/serial/by-id/usb-Adapter_of_some_maker_A5069RR4-if00-port0"
    line = drawn(f"{at} is in use: close the other program", width, step_id="logger")
    assert width < 60 or re.search(r"…\S*if00-port0 is in use", line)
    stale = drawn("battery-on-the-bench was done again at 07:41 UTC", width, outcome="stale", step_id="line")
    assert width < 60 or "line stale: battery-on-the-bench was" in stale
    assert width < 80 or "at 07:41 UTC" in stale


def test_a_step_is_named_before_its_reason_and_nothing_reads_as_an_open_gate() -> None:
    def line(reason: str, outcome: str = "open", width: int = 80, **about: Any) -> str:
        return drawn(reason, width, outcome=outcome, step_id=about.pop("step_id", "logger"), **about).rstrip()

    for width in (80, 160):
        undone = line("not done yet", width=width)
        assert undone == "  ‖ HOLD  at the release gate: logger not done yet  (+12 more: j)"
    # What is cut is cut between words, and never to a word that says nothing.
    spike = line("pressure: 1203.4 hPa is above 1100 hPa, in 20 of 20 samples", "no-go", held=True)
    assert "logger: pressure: 1203.4 hPa is above 1100 hPa …" in spike
    found = line("found go, waits for payload's signature", waiting="signature")
    assert "release: logger found go, waits for payload's signature" in found
    again = "flight-computed was done again at 21:40 UTC"
    stale = line(again, "stale", step_id="landing-on-the-map")
    assert stale == "  ‖ HOLD  landing-on-the-map stale: flight-computed was done again …  +12: j"
