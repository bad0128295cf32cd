"""Progress never goes back within one run; where the extent is not known there is no fraction."""

from __future__ import annotations

import math

import pytest
from serial_ends import FarEnd, make_flight

from preflight.checks import listening
from preflight.checks.base import Context, run_check
from preflight.checks.logger_response import check as logger_check
from preflight.readings import Finding, Progress


class Leaping:
    """A check from elsewhere that begins anew in the middle, and tells nonsense."""

    name = title = "leaping"
    needs = ()
    leads = put_back = ""
    told = (0.2, 0.5, 0.1, None, 0.49, 0.6, math.nan, -1.0, 1.7, 0.9)

    def run(self, context):
        for number, share in enumerate(self.told):
            yield Progress(f"{number}", share)
        return Finding(check=self.name, outcome="go")


def test_a_fraction_that_goes_back_is_not_shown(tmp_path):
    steps = []
    run_check(Leaping(), Context(flight=make_flight(), folder=tmp_path), steps.append)
    assert [step.text for step in steps] == [f"{number}" for number in range(10)]
    assert [step.fraction for step in steps] == [0.2, 0.5, None, None, None, 0.6, None, None, 1.0, None]


def test_exchanges_with_a_logger_are_one_run_and_asking_at_other_speeds_has_no_end_yet(tmp_path, monkeypatch):
    monkeypatch.setattr(listening, "RATES", (9600, 19200))
    monkeypatch.setattr(listening, "ANSWER_WITHIN", 0.05)
    answered = {b"1": b"one\r\n", b"2": b"two\r\n"}

    def asked(at, *numbers):
        exchange = [{"send": f"{n}\r", "expect": "one|two", "within": 0.3} for n in numbers]
        leave = [{"send": "go\r", "expect": "going", "within": 0.2}]
        logger = {"exchange": exchange, "leave": leave}
        flight = make_flight(link={"baud": 38400}, port=[{"use": "logger", "at": at}], logger=logger)
        steps = []
        run = logger_check.run(Context(flight=flight, folder=tmp_path))
        while (step := next(run, None)) is not None:
            steps.append((step.text.partition(":")[0], step.fraction))
        return steps

    with FarEnd(lambda end, data: end.send(answered.get(data[:1], b""))) as far:
        steps = asked(far.path, 1, 2)
        silent = asked(far.path, 3)
    shares = [share for _, share in steps]
    assert shares == sorted(shares)
    assert all(0.375 <= share < 0.75 for text, share in steps if text == "Exchange 2 of 2")
    assert steps[-1] == ("Leaving the logger so that it logs again", pytest.approx(0.75))
    assert [share for text, share in silent if text == "No answer"] == [None, None]
    assert max(share for text, share in silent if text.startswith("Exchange")) <= 0.6
