"""The opening of a checklist as tests write them."""


def head(title: str, revision: str = "A") -> str:
    """[checklist] of a list with two stations, released and sealed by the director."""
    return f"""\
[checklist]
title = "{title}"
revision = "{revision}"
stations = ["director", "payload"]
release_by = ["director"]
seal_by = ["director"]
"""
