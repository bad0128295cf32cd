"""The simulated payload: a process with two real lines that shows planted faults and leaves nothing."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import time

import pytest
from serial_ends import wait_until

from preflight.config.flight import Sample
from preflight.decode import decoder_for
from preflight.devices.serial_line import SerialLine
from preflight.errors import DeviceError, PreflightError
from preflight.practice.faults import FAULTS, FIELD_NAMES, SAMPLE_FIELDS, fault_values
from preflight.practice.payload import OUT_OF_RANGE
from preflight.practice.simulate import EXCHANGES, LEAVE, SimulatedPayload

LAYOUT = Sample(rate=20.0, format="delimited", length=72.0, field=SAMPLE_FIELDS)


@pytest.fixture(scope="module")
def payload(tmp_path_factory):
    with SimulatedPayload(tmp_path_factory.mktemp("payload"), rate=20) as running:
        yield running


@pytest.fixture
def sound(payload):
    payload.plant(())
    yield payload
    payload.plant(())


def samples(payload, count=6):
    decoder = decoder_for(LAYOUT, joined=True)
    found = []
    with SerialLine(payload.tap, baud=38400) as line:
        wait_until(lambda: found.extend(decoder.feed(line.read())) or len(found) >= count)
    return found


def ask(payload, text, until):
    heard = bytearray()
    with SerialLine(payload.logger, baud=38400) as line:
        line.write(text)
        wait_until(lambda: heard.extend(line.read()) or until in heard)
    return bytes(heard)


def test_sound_samples_have_no_fault_and_count_up(sound):
    found = samples(sound)
    assert all(sample.faults == () for sample in found)
    counters = [sample.values["counter"] for sample in found]
    assert counters == [counters[0] + n for n in range(len(found))]
    assert found[0].values["time"].count(":") == 2
    assert abs(found[0].values["latitude"] + 43.93) < 0.001
    assert all(sample.length <= LAYOUT.length for sample in found)


def test_samples_come_at_their_rate_however_late_one_listens(sound):
    """Nothing old is waiting on the line: what is read first is what is sent now."""
    sound.plant(["longer=100"])
    first = samples(sound, 3)[-1].values["counter"]
    begun = time.monotonic()
    wait_until(lambda: time.monotonic() - begun > 2.5)
    later = [sample.values["counter"] for sample in samples(sound, 30)]
    assert later[0] >= first + 2.5 * 20 - 10
    assert later == [later[0] + n for n in range(len(later))]


def test_a_line_that_can_carry_less_than_is_sent_loses_samples(sound):
    sound.plant(["longer=400"])
    counters = [sample.values["counter"] for sample in samples(sound, 20)]
    assert counters[-1] - counters[0] > len(counters)
    sound.plant(())
    wait_until(lambda: samples(sound, 1)[0].length < 100)  # what was queued has gone out


def test_the_logger_answers_its_protocol_and_says_when_it_logs(sound):
    assert ask(sound, b"?\r", b"\n") == b"ready sim-logger 1.0\r\n"
    assert sound.status()["logging"] is False
    assert ask(sound, b"space\r\n", b"\n") == b"free 131 MB of 133 MB\r\n"
    assert ask(sound, b"dance\r", b"\n") == b"what?\r\n"
    assert ask(sound, b"go\r", b"\n") == b"logging\r\n"
    assert sound.status()["logging"] is True
    assert sound.status()["heard"][-4:] == ["?", "space", "dance", "go"]
    assert len(EXCHANGES) == 2
    assert len(LEAVE) == 1


def test_a_flood_on_the_loggers_line_is_survived(sound):
    with SerialLine(sound.logger, baud=38400) as line:
        for _ in range(30):
            line.write(b"x" * 200)
    assert b"ready" in ask(sound, b"\r?\r", b"ready")


@pytest.mark.parametrize("name", FIELD_NAMES)
def test_each_field_can_be_out_of_range(sound, name):
    sound.plant([f"out-of-range={name}"])
    found = samples(sound, 2)[-1]
    if name == "time":
        assert found.values["time"] == OUT_OF_RANGE["time"]
    else:
        assert name in found.faulty


def test_frozen_placeholder_and_longer_fields(sound):
    sound.plant(["frozen=temperature", "placeholder=pressure", "longer=30"])
    found = samples(sound, 6)[1:]
    assert len({sample.values["temperature"] for sample in found}) == 1
    assert {sample.values["pressure"] for sample in found} == {999.0}
    assert all(sample.length > LAYOUT.length for sample in found)
    assert all(7.9 < sample.values["battery"] < 8.3 for sample in found)


@pytest.mark.parametrize(("fault", "steps"), [("skipping=3", {1, 2}), ("repeating=3", {0, 1})])
def test_lost_and_repeated_samples(sound, fault, steps):
    sound.plant([fault])
    counters = [sample.values["counter"] for sample in samples(sound, 9)[1:]]
    assert {after - before for before, after in itertools.pairwise(counters)} == steps


def test_no_fix_low_battery_and_a_clock_that_is_off(sound):
    sound.plant({"no-fix": "", "low-battery": "6.4", "clock-off": "3600"})
    found = samples(sound, 2)[-1]
    assert found.values["latitude"] is None
    assert found.values["satellites"] == 0
    assert abs(found.values["battery"] - 6.4) < 0.05


@pytest.mark.parametrize(("fault", "at_all"), [("no-samples", False), ("garbled", True)])
def test_a_tap_without_samples(sound, fault, at_all):
    sound.plant([fault])
    decoder = decoder_for(LAYOUT, joined=True)
    heard = bytearray()
    with SerialLine(sound.tap, baud=38400) as line:
        for _ in range(5):
            heard += line.read()
    assert bool(heard) is at_all
    assert decoder.feed(bytes(heard)) == []


@pytest.mark.parametrize(
    ("fault", "heard"),
    [
        ("echo", b"?\rready sim-logger 1.0\r\n"),
        ("bridged", b"?\r"),
        ("pieces", b"ready sim-logger 1.0\r\n"),
        ("late=0.3", b"ready sim-logger 1.0\r\n"),
    ],
)
def test_faults_of_the_loggers_line(sound, fault, heard):
    sound.plant([fault])
    assert ask(sound, b"?\r", heard) == heard
    ask(sound, b"go\r", b"go" if fault == "bridged" else b"logging\r\n")


def test_a_silent_logger_and_one_that_does_not_go_back(sound):
    sound.plant(["silent"])
    with SerialLine(sound.logger, baud=38400) as line:
        line.write(b"?\r")
        assert line.read() == b""
    sound.plant(["stuck"])
    assert ask(sound, b"go\r", b"\n") == b"card busy\r\n"
    assert sound.status()["logging"] is False


def test_faults_are_checked_with_a_hint(sound):
    with pytest.raises(PreflightError, match="nearest is 'silent'"):
        sound.plant(["silnt"])
    with pytest.raises(PreflightError, match="takes a field: one of counter"):
        fault_values(["frozen=wings"])
    with pytest.raises(PreflightError, match="takes no value"):
        fault_values(["silent=3"])
    for wrong in ("late=soon", "late=nan", "late=1e9", "late=-1", "skipping=1", "longer=2.5", "slow=0"):
        with pytest.raises(PreflightError, match=r"a (whole )?number from [\d.]+ to \d+, and not"):
            fault_values([wrong])
    assert fault_values(["clock-off=-95"]) == {"clock-off": "-95"}
    assert fault_values(tuple(FAULTS)) == {fault.name: fault.default for fault in FAULTS.values()}


def test_a_faults_file_written_wrong_by_hand_changes_nothing(sound):
    sound.plant(["low-battery=6.5"])
    (sound.folder / "faults.json").write_text("{broken")
    assert abs(samples(sound, 3)[-1].values["battery"] - 6.5) < 0.05


def test_it_stops_without_a_trace_and_starts_again_at_the_same_address(tmp_path):
    payload = SimulatedPayload(tmp_path / "new" / "folder", rate=20)
    with payload:
        child = payload._child
        assert os.path.exists(payload.tap)
        payload.start()
    assert child.returncode is not None
    assert payload.status() == {}
    assert not os.path.lexists(payload.tap)
    with payload:
        assert samples(payload, 1)
        payload.unplug()
        with pytest.raises(DeviceError):
            SerialLine(payload.tap, baud=38400)


def test_both_lines_are_lost_when_it_is_unplugged(tmp_path):
    with SimulatedPayload(tmp_path, rate=20) as payload, SerialLine(payload.tap, baud=38400) as line:
        payload.unplug()
        with pytest.raises(DeviceError, match="was lost"):
            wait_until(lambda: line.read() is None)


def test_it_ends_when_its_parent_is_killed(tmp_path):
    script = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from preflight.practice.simulate import SimulatedPayload\n"
        "payload = SimulatedPayload(Path(sys.argv[1]))\n"
        "payload.start()\n"
        "print(payload.status()['pid'], flush=True)\n"
        "time.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as parent:
        pid = int(parent.stdout.readline())
        os.kill(parent.pid, signal.SIGKILL)
    wait_until(lambda: not (tmp_path / "payload.json").exists())
    wait_until(lambda: not _runs(pid))


def _runs(pid):
    try:
        with open(f"/proc/{pid}/stat") as file:
            return file.read().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
    except OSError:
        return True


def test_wrong_arguments_are_told_in_a_sentence(tmp_path):
    from preflight.practice.payload import main

    assert main(["--state", str(tmp_path), "--fault", "nonsense"]) == 2
    assert main(["--state", str(tmp_path), "--rate", "0"]) == 2
    (tmp_path / "file").touch()
    assert main(["--state", str(tmp_path / "file")]) == 2


def test_a_folder_that_cannot_be_had_is_a_device_error(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(DeviceError, match="could not be started"):
        SimulatedPayload(tmp_path / "file").start()


def test_a_system_without_terminals_is_told_so(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "platform", "win32")
    with pytest.raises(DeviceError, match="needs pseudo-terminals"):
        SimulatedPayload(tmp_path).start()


def test_a_child_that_ends_at_once_says_why(tmp_path, monkeypatch):
    monkeypatch.setattr(
        SimulatedPayload, "_command", lambda _: [sys.executable, "-c", "raise SystemExit('no')"]
    )
    with pytest.raises(DeviceError, match="has ended: no"):
        SimulatedPayload(tmp_path).start()
