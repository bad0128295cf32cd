"""The words of a report for somebody who never saw the tool."""

from __future__ import annotations

GLOSSARY = (
    ("go", "done, found good, and signed by everyone who had to"),
    ("no-go", "found bad, and nobody accepted it"),
    ("waived", "found bad, and accepted by a named person within a bound and until a time"),
    ("open", "not done, or not signed yet"),
    ("stale", "was settled once, but something it depends on changed or its time ran out"),
    ("not applicable", "does not belong to this flight"),
    ("hold", "the count was stopped by a named person, or something required was not settled"),
    ("margin", "what there was divided by what was needed; 1 is exactly enough, below 1 too little"),
    ("gate", "a point of no return: the fill, and the release"),
    ("witness", "a second person who signed as well"),
    ("struck", "an entry that somebody took back, with a reason; it stays readable and counts no more"),
)

STATES = {
    "bad": "Something is not as it was signed, or should not have been allowed.",
    "unsealed": "Every signature holds, but not everyone who was to seal the whole has.",
    "sealed": "Every signature holds and everyone who was to seal the whole has.",
    "anchored": "Every signature and seal holds, and the seal code given from outside matches.",
}
"""What verification's answers mean."""
