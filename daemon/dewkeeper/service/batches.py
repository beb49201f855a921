"""Batches put together and taken apart without changing the order in which they are stored."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from dewkeeper.store.records import Batch

_LONGEST_REPR = 160


def mergeable(batches: Sequence[Batch]) -> int:
    """Return how many batches fit one transaction without changing the order of the stream.

    A batch is stored as readings, then items, then the snapshot: readings after an item, and anything after a
    snapshot, must wait for the next transaction.
    """
    items = False
    for index, batch in enumerate(batches):
        if items and batch.readings:
            return index
        items = items or bool(batch.items)
        if batch.snapshot is not None:
            return index + 1
    return len(batches)


def merged(batches: Sequence[Batch]) -> Batch:
    """Return one batch that stores what these store, in their order."""
    if len(batches) == 1:
        return batches[0]
    # Of notes by one name and of states the last is what would be left, stored one after the other.
    notes: dict[str, str] = {}
    for batch in batches:
        notes.update(batch.notes)
    snapshots = [batch.snapshot for batch in batches if batch.snapshot is not None]
    states = [batch.planner_state for batch in batches if batch.planner_state is not None]
    return Batch(
        readings=tuple(r for batch in batches for r in batch.readings),
        items=tuple(i for batch in batches for i in batch.items),
        events=tuple(e for batch in batches for e in batch.events),
        exclusions=tuple(x for batch in batches for x in batch.exclusions),
        messages=tuple(m for batch in batches for m in batch.messages),
        deliveries=tuple(d for batch in batches for d in batch.deliveries),
        snapshot=snapshots[-1] if snapshots else None,
        planner_state=states[-1] if states else None,
        notes=notes,
    )


def halves(batch: Batch) -> list[Batch]:
    """Return two batches that store the same one after the other, none when it can be taken apart no further.

    An event and its messages stay together as long as they can: one without the other is told wrongly after a power cut.
    """
    parts = list(_parts(batch))
    middle = len(parts) // 2
    return [merged(parts[:middle]), merged(parts[middle:])] if middle else []


def _parts(batch: Batch) -> Iterator[Batch]:
    yield from (Batch(readings=(one,)) for one in batch.readings)
    yield from (Batch(items=(one,)) for one in batch.items)
    # An event that fails alone with its messages is taken from them: one of them is what cannot be stored.
    whole = len(batch.events) == 1 and batch == Batch(events=batch.events, messages=batch.messages)
    with_event = set() if whole else {event.id for event in batch.events}
    for event in batch.events:
        own = () if whole else tuple(message for message in batch.messages if message.event == event.id)
        yield Batch(events=(event,), messages=own)
    yield from (Batch(exclusions=(one,)) for one in batch.exclusions)
    yield from (Batch(messages=(one,)) for one in batch.messages if one.event not in with_event)
    yield from (Batch(deliveries=(one,)) for one in batch.deliveries)
    yield from (Batch(notes={name: value}) for name, value in batch.notes.items())
    if batch.planner_state is not None:
        yield Batch(planner_state=batch.planner_state)
    if batch.snapshot is not None:
        yield Batch(snapshot=batch.snapshot)


def without_repeats(batches: Sequence[Batch]) -> list[Batch]:
    """Return batches that store the same in as few pieces as their order allows: of states only the newest is of use.

    For what waits long: each poll brings the planner's whole state and perhaps the judge's, many times a poll's size.
    """
    newest = next((batch.snapshot for batch in reversed(batches) if batch.snapshot is not None), None)
    plain = [
        batch if batch.snapshot is None or batch.snapshot is newest else replace(batch, snapshot=None)
        for batch in batches
    ]
    made = []
    while plain:
        count = mergeable(plain)
        made.append(merged(plain[:count]))
        del plain[:count]
    states = [index for index, batch in enumerate(made) if batch.planner_state is not None]
    for index in states[:-1]:
        made[index] = replace(made[index], planner_state=None)
    return [batch for batch in made if not batch.empty()]


def described(batch: Batch) -> str:
    """Say what a batch of one thing holds, in ASCII whatever is in it."""
    pairs = (
        ("a reading", [reading for reading, _ in batch.readings]), ("an item", batch.items), ("an event", batch.events),
        ("an exclusion", batch.exclusions), ("a message", batch.messages), ("a delivery", batch.deliveries),
        ("a note", list(batch.notes.items())),
    )  # fmt: skip
    for name, things in pairs:
        if things:
            text = ascii(things[0])
            return f"{name}: {text[:_LONGEST_REPR]}{'...' if len(text) > _LONGEST_REPR else ''}"
    return "the judge's memory" if batch.snapshot is not None else "the planner's memory"
