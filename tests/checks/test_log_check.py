"""test-log on the simulated payload: recorded on a real terminal, compared with a real card image."""

from __future__ import annotations

import json
import threading
from datetime import UTC, datetime, timedelta
from functools import partial

import msgspec
import pytest
from card_images import make_fat
from card_images import run as run_tool
from serial_ends import PAYLOAD_SITE, FarEnd, make_flight, wait_until
from side_by_side import SideBySide
from tools import need_tool

from preflight.checks import log_recording
from preflight.checks.base import Context, run_check
from preflight.checks.log_recording import FILE, load
from preflight.checks.table import get
from preflight.practice.card_image import make_card
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.simulate import SimulatedPayload
from preflight.readings import Reading

RATE = 40.0
BEACON = 0.2
check = get("test-log")


QUICK = {"SECONDS": (0.5, 3600.0), "INTERVALS": 4.0, "AFTER": 1.0, "QUIET": 0.5, "FIRST_WITHIN": 2.0}


def be_quick(patch):
    for name, value in QUICK.items():
        patch.setattr(log_recording, name, value)


@pytest.fixture
def quick(monkeypatch):
    be_quick(monkeypatch)


def flight(at, *, log="LOG*.CSV", interval=BEACON, limits=None, rate=RATE, name="Dotterel 4"):
    return make_flight(
        flight={"name": name, "release": "2031-03-09T09:00:00Z", "power_up": 2700.0, "checklist": "c"},
        site=PAYLOAD_SITE,
        link={"baud": 38400},
        port=[{"use": "tap", "at": str(at)}],
        sample={"rate": rate, "format": "delimited", "length": 72.0, "field": list(SAMPLE_FIELDS)},
        card={"volume": "card.img", "log": log},
        beacon={"interval": interval},
        limits=limits or {},
    )


class Crew:
    """Pulls the power when it is told to, and puts it back when it is told to."""

    def __init__(self, payload, faults=()):
        self.payload = payload
        self.faults = list(faults)
        self.said = []
        self.shares = []
        self._thread = None

    def __call__(self, step):
        self.said.append(step.text)
        self.shares.append((step.text.partition(":")[0].partition(",")[0], step.fraction))
        if step.text.startswith("PULL") and self._thread is None:
            self._thread = threading.Thread(target=self._pull)
            self._thread.start()

    def _pull(self):
        self.payload.plant([*self.faults, "power-off"])
        wait_until(lambda: any("PUT IT BACK" in text for text in self.said))
        self.payload.plant(self.faults)

    def done(self):
        if self._thread is not None:
            self._thread.join(10)


def record(payload, folder, faults=(), **more):
    crew = Crew(payload, faults)
    finding = run_check(check, Context(flight=flight(payload.tap, **more), folder=folder), crew)
    crew.done()
    return finding, crew


def card(payload, folder):
    make_card(
        folder / "card.img",
        size=64 * 1024 * 1024,
        label="SIM",
        serial=7,
        files={"OLD.TXT": b"no log", **payload.card_files()},
        written=datetime(2031, 3, 9, 9, 0),  # noqa: DTZ001 - a card knows no zone
    )


def compare(folder, **more):
    context = {name: more.pop(name) for name in ("measured", "clock", "stopped") if name in more}
    return run_check(check, Context(flight=flight("tap", **more), folder=folder, **context))


def numbers(finding):
    return {reading.name: reading.value for reading in finding.readings}


def both(folder, *faults, interval=BEACON, **more):
    """Both runs with these faults planted all along; four beacon intervals are recorded."""
    with SimulatedPayload(folder / "payload", rate=RATE, faults=faults) as payload:
        first, crew = record(payload, folder, faults, interval=interval)
        assert first.outcome == "open", first.remarks
        card(payload, folder)
    return first, compare(folder, **more), crew, (folder / FILE).exists()


LOSING = {"log.lost_samples": {"at_most": 1000}}
RUNS = {
    "sound": ((), {}),
    "jammed": (("log-jammed=1.6",), {"interval": 1.6}),
    "losing": (("log-losing=8",), {"interval": 0.7}),
    "no restart": (("log-no-restart",), {}),
    "unflushed": (("log-unflushed=30",), {}),
    "damaging": (("log-damaging=10",), {}),
    "losing as allowed": (("log-losing=8",), {"limits": LOSING}),
}


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    jobs = {
        name: partial(both, tmp_path_factory.mktemp("run"), *faults, **more)
        for name, (faults, more) in RUNS.items()
    }
    with pytest.MonkeyPatch.context() as patch:
        be_quick(patch)
        return SideBySide(jobs)


def test_a_sound_logger_is_go(runs):
    first, second, crew, kept = runs["sound"]
    assert "put its card into this laptop, and run this check again" in first.remarks[0]
    assert first.power_cycle.startswith("pulled for test-log: no sample came for")
    assert first.evidence[0].name == "tap recording"
    assert any(text.startswith("Recording, box closed, beacon on: ") for text in crew.said)
    assert any(text.startswith("Power is back") for text in crew.said)
    # The bar is of what is recorded, on both sides of the cut; how long the crew takes between is not known.
    recording = [share for text, share in crew.shares if text in ("Recording", "Power is back")]
    assert recording == sorted(recording)
    assert recording[-1] > 0.95
    assert {share for text, share in crew.shares if text not in ("Recording", "Power is back")} == {None}
    assert second.outcome == "go", second.remarks
    found = numbers(second)
    assert found["log.lost_samples"] == 0
    assert found["log.resumed"] == "yes"
    assert found["log.pattern"] == "none"
    assert found["log.lost_at_power_cut"] <= 0.7
    assert 0.2 <= found["log.resumed_after"] <= 1.0
    assert found["log.captured"] > 60
    assert found["log.longest_gap"] < 0.5
    assert "logging went on by itself" in " ".join(second.remarks)
    assert [item.name for item in second.evidence] == ["tap recording", "end of LOG002.CSV"]
    assert second.power_cycle == ""
    assert not kept, "the next run records anew"
    assert "power" not in second.reads


@pytest.mark.parametrize(
    ("run", "pattern", "told"),
    [
        ("jammed", "beacon interval", "each time the beacon sends, every 1.6 s: its trans"),
        ("losing", "scattered", "scattered: a loose contact, noise on the line"),
        ("no restart", "none", "the logger did not log again by itself"),
        ("unflushed", None, "No file on the card fits LOG*.CSV: the logger wrote none"),
    ],
)
def test_a_planted_fault_is_no_go_and_its_pattern_named(runs, run, pattern, told):
    _, second, _, _ = runs[run]
    assert second.outcome == "no-go", second.remarks
    assert any(told in remark for remark in second.remarks), second.remarks
    if pattern is not None:
        assert numbers(second)["log.pattern"] == pattern


def test_damage_on_the_card_is_shown(runs):
    _, second, _, _ = runs["damaging"]
    assert second.outcome == "no-go"
    assert any(remark.startswith("Damaged on the card: “") and "␐<FF>" in remark for remark in second.remarks)


def test_a_limit_of_the_crews_own_lets_losses_pass_with_a_remark(runs):
    _, second, _, _ = runs["losing as allowed"]
    assert second.outcome == "go", second.remarks
    assert any("missing on the card" in remark for remark in second.remarks)


@pytest.mark.usefixtures("quick")
def test_a_buffer_that_is_written_out_seldom_loses_the_last_seconds(tmp_path, monkeypatch):
    monkeypatch.setattr(log_recording, "AFTER", 2.5)
    monkeypatch.setattr(log_recording, "SECONDS", (1.8, 2.0))
    limits = {"log.lost_at_power_cut": {"at_most": 0.3}}
    lost = []
    for _ in range(4):
        with SimulatedPayload(tmp_path / "payload", rate=RATE, faults=["log-unflushed=1.2"]) as payload:
            record(payload, tmp_path, ["log-unflushed=1.2"])
            card(payload, tmp_path)
        second = compare(tmp_path, limits=limits)
        lost.append(numbers(second)["log.lost_at_power_cut"])
        if lost[-1] > 0.3:
            assert second.outcome == "no-go"
            assert any("Have it flush (sync) to the card every second" in text for text in second.remarks)
            assert numbers(second)["log.lost_samples"] == 0
            return
    pytest.fail(f"no cut in the middle of the buffer's time: {lost}")


@pytest.mark.usefixtures("quick")
def test_a_card_that_is_not_there_keeps_the_recording(tmp_path):
    with SimulatedPayload(tmp_path / "payload", rate=RATE) as payload:
        record(payload, tmp_path)
        second = compare(tmp_path)
        assert second.outcome == "open"
        assert "put the card in the reader" in second.remarks[0]
        assert f"delete {FILE}" in second.remarks[0]
        card(payload, tmp_path)
        assert compare(tmp_path, log="RUN*.CSV").remarks[0].startswith("No file on the card fits RUN*.CSV")
        other = {"card.identity": Reading(name="card.identity", value="AAAA-0001 5 B")}
        assert "This is another card" in compare(tmp_path, measured=other).remarks[0]
        wrong = compare(tmp_path, log="OLD.TXT")
        assert wrong.outcome == "no-go"
        assert wrong.remarks[0].startswith("None of ")
        (tmp_path / "card.img").write_bytes(b"nothing" * 1000)
        assert compare(tmp_path).outcome == "no-go"
        card(payload, tmp_path)
        assert compare(tmp_path, stopped=lambda: True).outcome == "open"
        assert (tmp_path / FILE).exists()
    assert compare(tmp_path).outcome == "go"


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"began": datetime.now(UTC) - timedelta(hours=13)}, "is of another day"),
        ({"flight": "Dotterel 5"}, "is of another flight"),
        ({"layout": "other"}, "was made before [sample] was changed"),
    ],
)
def test_a_recording_of_another_day_flight_or_layout_is_made_anew(tmp_path, more, why):
    kept = {
        "flight": "Dotterel 4",
        "layout": log_recording.layout_mark(flight("x")),
        "began": datetime.now(UTC),
        "interval": 60.0,
        "data": b"",
        "marks": (),
        "cut": None,
    }
    log_recording.save(tmp_path, log_recording.Recording(**kept | more))
    with FarEnd() as far:
        context = Context(flight=flight(far.path), folder=tmp_path, stopped=lambda: True)
        found = run_check(check, context)
    assert found.outcome == "open"
    assert "stopped while recording" in found.remarks[0]
    assert f"The recording that was here {why}: a new one was made" in found.remarks
    assert (tmp_path / FILE).exists(), "a stopped recording does not replace the one that is there"


@pytest.mark.parametrize(("minutes", "counts"), [(-5, True), (5, False)])
def test_a_recording_from_before_the_logger_was_spoken_to_does_not_count(tmp_path, minutes, counts):
    began = datetime.now(UTC) - timedelta(minutes=30)
    left = began + timedelta(minutes=minutes)
    kept = log_recording.Recording(
        flight="Dotterel 4",
        layout=log_recording.layout_mark(flight("x")),
        began=began,
        interval=60.0,
        data=b"",
        marks=(),
        cut=None,
    )
    log_recording.save(tmp_path, kept)
    measured = {"logger.left_at": Reading(name="logger.left_at", value=f"{left:%Y-%m-%d %H:%M:%S.000} UTC")}
    with FarEnd() as far:
        context = Context(flight=flight(far.path), folder=tmp_path, measured=measured, stopped=lambda: True)
        remarks = " ".join(run_check(check, context).remarks)
    assert ("before the logger was last spoken to" in remarks) is not counts
    assert ("stopped while recording" in remarks) is not counts


@pytest.mark.usefixtures("quick")
def test_a_power_that_is_not_pulled_or_not_put_back(tmp_path, monkeypatch):
    monkeypatch.setattr(log_recording, "CUT_WITHIN", 0.5)
    monkeypatch.setattr(log_recording, "BACK_WITHIN", 1.0)
    monkeypatch.setattr(log_recording, "FIRST_WITHIN", 0.6)
    with SimulatedPayload(tmp_path / "payload", rate=RATE) as payload:
        context = Context(flight=flight(payload.tap), folder=tmp_path)
        found = run_check(check, context)
        assert found.outcome == "open"
        assert "the power was not pulled when it was asked for" in found.remarks[0]
        assert found.power_cycle == ""

        monkeypatch.setattr(log_recording, "CUT_WITHIN", 10.0)

        def pull(step):
            if step.text.startswith("PULL"):
                payload.plant(["power-off"])

        found = run_check(check, context, pull)
        assert found.outcome == "no-go"
        assert found.remarks[0].startswith("Nothing came for 1 s after the power was pulled")
        found = run_check(check, context)
        assert found.outcome == "no-go"
        assert found.remarks[0].startswith("Nothing came in 1 s. Check that the payload is on")
    found = run_check(check, context)
    assert found.outcome == "no-go"
    assert "no port" in found.remarks[0]
    assert not (tmp_path / FILE).exists()


@pytest.mark.usefixtures("quick")
def test_a_port_that_goes_with_the_power_is_opened_again(tmp_path):
    """The board's own programming port: it is gone while the power is off."""
    with SimulatedPayload(tmp_path / "payload", rate=RATE) as payload:
        did = []

        def crew(step):
            if step.text.startswith("PULL") and not did:
                did.append("pulled")
                payload.unplug()
            if step.text.startswith("The port went with the power"):
                did.append("waited")
                if len(did) == 5:
                    payload.start()

        finding = run_check(check, Context(flight=flight(payload.tap), folder=tmp_path), crew)
        assert finding.outcome == "open", finding.remarks
        assert load(tmp_path) is not None
        card(payload, tmp_path)
    assert compare(tmp_path).outcome == "go"


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "is damaged"),
        (b"{}", "is damaged"),
        (b"\xff" * 100, "is damaged"),
        (
            b'{"flight":"x","layout":"y","began":"2031-03-09T09:00:00Z","interval":0,"data":"","marks":[]}',
            "damag",
        ),
    ],
)
def test_a_damaged_recording_is_told_and_nothing_is_recorded_over_it(tmp_path, data, why):
    (tmp_path / FILE).write_bytes(data)
    found = compare(tmp_path)
    assert found.outcome == "open"
    assert why in found.remarks[0]
    assert (tmp_path / FILE).read_bytes() == data


def test_a_recording_too_large_or_unreadable_is_told(tmp_path, monkeypatch):
    (tmp_path / FILE).write_bytes(b"{" * 2000)
    with monkeypatch.context() as small:
        small.setattr(log_recording, "_LARGEST_FILE", 1000)
        assert "too large to be a recording" in compare(tmp_path).remarks[0]
    (tmp_path / FILE).unlink()
    (tmp_path / FILE).mkdir()
    assert "can't be read" in compare(tmp_path).remarks[0]


@pytest.mark.usefixtures("quick")
def test_packed_samples_are_compared_as_well(tmp_path):
    """On a FAT16 card of the usual formatter, from a line that sends 16-bit counters with sync bytes."""
    need_tool("mcopy")
    layout = {
        "rate": 50.0,
        "format": "packed",
        "length": 4.0,
        "sync": "a55a",
        "field": [{"name": "n", "type": "H", "role": "counter"}],
    }
    sent = []
    off = threading.Event()

    def send(far):
        while not far.over:
            if off.is_set() and len(sent) == cut[0]:
                far.pause(0.8)
            sent.append(b"\xa5\x5a" + len(sent).to_bytes(2, "little"))
            far.send(sent[-1])
            far.pause(0.01)

    def crew(step):
        if "PULL" in step.text and not off.is_set():
            cut.append(len(sent) + 5)
            off.set()

    cut = []
    with FarEnd() as far:
        whole = flight(far.path)
        there = msgspec.to_builtins(whole) | {"sample": layout}
        context = Context(flight=msgspec.convert(there, type(whole)), folder=tmp_path)
        thread = threading.Thread(target=send, args=(far,))
        thread.start()
        finding = run_check(check, context, crew)
        assert finding.outcome == "open", finding.remarks
    thread.join(5)
    image = make_fat(tmp_path / "card.img", 16 << 20, 16)
    there = sent[: cut[0] - 60] + sent[cut[0] - 57 : cut[0] - 2] + sent[cut[0] + 2 :]
    (tmp_path / "LOG7.CSV").write_bytes(b"".join(there))
    run_tool("mcopy", "-i", image, tmp_path / "LOG7.CSV", "::LOG7.CSV")
    second = run_check(check, context)
    assert numbers(second)["log.lost_samples"] == 3, second.remarks
    assert numbers(second)["log.pattern"] == "single"
    assert second.outcome == "no-go"


def test_the_recordings_form_is_json(tmp_path):
    kept = log_recording.Recording(
        flight="x",
        layout="y",
        began=datetime(2031, 3, 9, tzinfo=UTC),
        interval=60.0,
        data=b"\x00\xff",
        marks=((2, 0.5),),
        cut=(1.0, 2.0),
    )
    log_recording.save(tmp_path, kept)
    assert json.loads((tmp_path / FILE).read_bytes())["data"] == "AP8="
    assert load(tmp_path) == kept
    assert [path.name for path in tmp_path.iterdir()] == [FILE]
