"""The record: signed entries in one chain, their writer, seals and verifier. It knows no balloon."""
