"""The simulated crew on checklists of its user's own: it follows the rules or stops with a hold."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from preflight.clock import SystemClock
from preflight.practice import scenario
from preflight.practice.crew import ATTEMPTS, Done, SimulatedCrew, Stopped
from preflight.record.keys import Keyring
from preflight.record.roster import Roster
from preflight.walk.acts import Walk
from preflight.walk.opening import Sources, begin

HEAD = """
[checklist]
title = "A user's own"
revision = "A"
stations = ["director", "payload"]
roles = ["safety", "cook"]
release_by = ["director"]
seal_by = ["director"]
[[phase]]
id = "only"
title = "Only phase"
"""


@pytest.fixture
def at_work(tmp_path: Path) -> Callable[[str], SimulatedCrew]:
    """Makes a crew for the steps given, in the demo's folder, without the simulated payload."""
    demo = scenario.prepare(tmp_path / "demo", datetime.now(UTC))

    def make(steps: str) -> SimulatedCrew:
        (demo.folder / scenario.CHECKLIST).write_text(HEAD + steps)
        keyring = Keyring(demo.keys, Roster.parse(demo.roster.read_bytes()))
        for member in scenario.CREW:
            keyring.unlock(member.id, scenario.PASSPHRASE)
        sources = Sources.beside(demo.flight_file)
        walk = begin(demo.logs, sources, keyring=keyring, person="mika", clock=SystemClock(), drill=True)
        passphrases = dict.fromkeys(keyring.unlocked, scenario.PASSPHRASE)
        return SimulatedCrew(walk, folder=demo.folder, passphrases=passphrases)

    return make


def steps_done(crew: SimulatedCrew) -> list[Done]:
    return [done for done in crew.run() if done.step]


def kinds(walk: Walk) -> list[str]:
    return [entry.kind for entry in walk.recorder.entries]


def test_a_checklist_without_gates_is_closed_and_sealed(at_work):
    crew = at_work('[[phase.step]]\nid = "tape"\nchallenge = "Spare tape"\nresponse = "One roll"\n')
    told = list(crew.run())
    assert [done.what for done in told] == ["tape", "phase", "close"]
    assert (told[0].outcome, told[0].found, told[0].signed) == ("go", "One roll", "Mika Tern")
    assert (crew.walk.recorder.folder / "seals" / "mika.sig").exists()


def test_the_witness_has_the_role_asked_for_and_is_another_person(at_work):
    crew = at_work(
        '[[phase.step]]\nid = "knots"\nchallenge = "Knots"\nsigned_by = ["safety", "director"]\n'
        'witness = true\nwitness_by = ["director"]\n'
    )
    (done,) = steps_done(crew)
    assert (done.signed, done.witnessed) == ("Jo Egret", "Mika Tern")


@pytest.mark.parametrize(
    ("step", "why"),
    [
        (
            'challenge = "Soup"\nrequired = false\nsigned_by = ["cook"]',
            "Nobody here may sign it: that takes cook",
        ),
        ('challenge = "Soup"\nwitness = true\nwitness_by = ["cook"]', "Nobody here may witness it"),
        (
            'challenge = "Smell"\nmeasure = { quantity = "smell", unit = "" }',
            "has nothing to read off for 'smell'",
        ),
        (
            'challenge = "Wind"\nmeasure = { quantity = "ground wind", unit = "m/s", at_most = 1.0 }',
            "it is no-go: ground wind 2.4 m/s, limit at most 1",
        ),
    ],
)
def test_what_it_cannot_do_stops_it_with_a_hold(at_work, step: str, why: str):
    crew = at_work(f'[[phase.step]]\nid = "it"\n{step}\n')
    with pytest.raises(Stopped, match=why) as stopped:
        list(crew.run())
    assert stopped.value.exit_code == 1
    assert kinds(crew.walk)[-1] == "hold"
    assert why in crew.walk.ledger.acts[-1].data.reason


def test_a_check_that_stays_open_is_tried_a_few_times(at_work):
    crew = at_work('[[phase.step]]\nid = "volts"\nchallenge = "Volts"\ncheck = "battery-voltage"\n')
    seen: list[Done] = []
    with pytest.raises(Stopped, match="volts is open"):
        seen.extend(crew.run())
    assert kinds(crew.walk).count("check") == ATTEMPTS
    assert "sign" not in kinds(crew.walk)


def test_an_optional_step_that_stays_open_holds_nobody_up(at_work):
    crew = at_work(
        '[[phase.step]]\nid = "volts"\nchallenge = "Volts"\ncheck = "battery-voltage"\nrequired = false\n'
    )
    (done,) = steps_done(crew)
    assert done.outcome == "open"
    assert kinds(crew.walk)[-2:] == ["phase", "close"]


def test_a_card_that_is_not_there_is_a_no_go(at_work):
    crew = at_work('[[phase.step]]\nid = "card"\nchallenge = "Card"\ncheck = "card-space"\n')
    (crew.folder / "card.img").unlink()
    with pytest.raises(Stopped, match="card is no-go"):
        list(crew.run())
    assert kinds(crew.walk) == ["open", "check", "hold"]


def test_readings_follow_what_the_flight_file_declares(at_work):
    crew = at_work(
        '[[phase.step]]\nid = "mass"\nchallenge = "Mass"\n'
        'measure = { quantity = "payload mass", unit = "g", sets = "payload.package[2].mass", '
        'repeat = 3, spread = "2 g" }\n'
        '[[phase.step]]\nid = "lift"\nchallenge = "Lift"\n'
        'measure = { quantity = "neck lift", unit = "kg", sets = "balloon.neck_lift" }\n'
    )
    mass, lift = steps_done(crew)
    assert mass.readings[0].value == pytest.approx(190)
    assert mass.readings[0].high - mass.readings[0].low <= 2
    assert lift.readings[0].value == pytest.approx(2.0 * 0.97)
    # the limits are those of the figures, as at the screen
    assert lift.readings[0].at_least is not None
    assert crew.walk.ledger.values.flight.balloon.neck_lift == pytest.approx(1.94)


def test_an_authority_is_answered_for_in_every_question(at_work):
    crew = at_work(
        '[[phase.step]]\nid = "notice"\nchallenge = "Notice"\n'
        'defer = { authority = "the tower", ask = ["reference", "valid from", "valid until", "runway"] }\n'
    )
    (done,) = steps_done(crew)
    assert done.outcome == "go"
    assert "the tower (simulated)" in done.found
    answer = crew.walk.ledger.steps["notice"].finding.act.data
    assert all(answer.answers.values())
    assert answer.valid_from < answer.valid_until


def test_a_stop_ends_it_after_the_act_at_hand(at_work):
    crew = at_work("".join(f'[[phase.step]]\nid = "s{n}"\nchallenge = "Step"\n' for n in range(3)))
    asked = False
    crew.stopped = lambda: asked
    for done in crew.run():
        asked = done.what == "s1"
    assert kinds(crew.walk) == ["open", "confirm", "confirm"]
