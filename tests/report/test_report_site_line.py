"""What a site says of itself, as another machine reads it."""

from __future__ import annotations

import json

import pytest

from dewkeeper.report.site_line import read_said

_GOOD = {"state": "well", "rank": "calm", "word": "All well: 2 calm", "look": 0, "tubs": []}


def test_what_a_site_says_is_read() -> None:
    """A well-formed line is what it says."""
    assert read_said(_GOOD).word == "All well: 2 calm"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("look", json.loads("1e999")), ("look", "many"), ("rank", "splendid"), ("word", "x" * 1001), ("word", None), ("tubs", 3),
        ("tubs", {"T1": 1}), ("tubs", [{"enclosure": "T1"}]), ("state", None),
    ],
)  # fmt: skip
def test_what_no_site_says_is_a_value_error(key: str, value: object) -> None:
    """Whatever stands there instead, the reader of all sites gets the one error it knows, and shows the others."""
    with pytest.raises(ValueError, match="not what a site says"):
        read_said(_GOOD | {key: value})
