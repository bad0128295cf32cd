"""The conversation with a device: what was sent and what was heard are told apart by kind, not by wording."""

from preflight.checks.talk import Transcript


def test_what_is_sent_counts_as_sent_whatever_is_said_of_it():
    said = Transcript(started=0.0)
    said.add("sent", b"?\r", "at 9600 baud")
    said.add("heard", b"ready\r\n", "what was sent")
    said.add("sent", b"go\r")
    assert [(line.kind, line.text) for line in said.live().lines] == [
        ("sent", "?␍"),
        ("heard", "ready␍␊"),
        ("sent", "go␍"),
    ]
    lines = said.evidence()[0].data.decode().splitlines()
    assert [line.split(" s ", 1)[1] for line in lines] == [
        "at 9600 baud sent  3f 0d",
        "what was sent heard 72 65 61 64 79 0d 0a",
        "sent  67 6f 0d",
    ]
