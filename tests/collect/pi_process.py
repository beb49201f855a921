"""A Pi that stores and sends in a process of its own, to be killed at any moment.

Arguments: folder, site's name, address, seed, polls to store. Prints a line for every pass.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

from tests.collect.sites import fill, live, send
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.collect.errors import CollectError
from dewkeeper.judge.types import Exclusion
from dewkeeper.store.onward import Onward
from dewkeeper.store.records import Batch


def main() -> None:
    """Go on where the store ends."""
    folder, name, address, seed, turns = Path(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4]), int(sys.argv[5])
    rng = random.Random(seed)
    shelf = Shelf(folder)
    with Onward.open(folder) as onward:
        reach = onward.reach()
    now = MIDNIGHT if reach is None else reach[1] + 900
    for turn in range(turns):
        fill(shelf, now, 0.2, seed * 1000 + turn)
        if rng.random() < 0.3:
            live(shelf, now, seed * 1000 + turn)
        if rng.random() < 0.3:
            shelf.store.commit(Batch(exclusions=(Exclusion("b2", now - 7200, now, ("drift",)),)))
        now += int(0.2 * 86400)
        try:
            send(folder, name, address)
            print("sent", flush=True)
        except CollectError as error:
            print(f"not sent: {error}", flush=True)
    shelf.store.close()


if __name__ == "__main__":
    main()
