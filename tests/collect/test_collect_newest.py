"""What sites say of their newest readings, as the page over all of them reads it."""

from __future__ import annotations

import pytest

from dewkeeper.collect.newest import _came_last

GOOD = '{"after": 1790000000, "last": {"p1": 1789999000}}'


@pytest.mark.parametrize(
    "said",
    ["", "no JSON", "[]", "{}", '{"last": {}}', '{"after": 1, "last": []}', '{"after": 1e999, "last": {"p1": 1}}',
     '{"after": 1, "last": {"p1": 1e999}}', '{"after": -1, "last": {"p1": 1}}', '{"after": 1, "last": {"p1": 99999999999999}}'],
)  # fmt: skip
def test_what_one_site_says_that_nobody_understands_takes_no_other_site_with_it(said: str) -> None:
    """Its own note is left out, whatever it holds; what the other says came last is told of."""
    found = _came_last([(1, said), (2, GOOD)], {(1, "p1"), (2, "p1")})
    assert found == {"late_sites": [2], "late_names": ["p1"], "late": [1789999000], "after": [1790000000]}
