"""After a change of version: the alarms as they were stored, put over a judge that judged the last days anew.

A dump is only good for the version that made it. A judge made anew from the stored stream finds most conditions again, but
under new names, unseen and unshelved; what it cannot find again is over, and is told so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dewkeeper.judge.lifecycle import AlarmInstance
from dewkeeper.judge.register import Key
from dewkeeper.judge.state import JudgeState
from dewkeeper.judge.types import Alarm

WHY = "judged anew by another version of dewkeeper, it is not found again"


def adopt(state: JudgeState, alarms: Sequence[Alarm], told: Mapping[str, int]) -> None:
    """Give the alarms found anew their stored names and states, end what is not found, tell what was not stored.

    told: alarm -> how many events are stored about it, of those whose raising was told.
    """
    register, now = state.register, state.now
    names = {_matter(instance): key for key, instance in register.instances.items()}
    stored: set[Key] = set()
    for alarm in alarms:
        key = names.get(_matter(alarm))
        instance = register.instances.get(key) if key is not None else None
        if key is not None and instance is not None and instance.stands and key not in stored:
            stored.add(key)
            _rename(state, key, instance, alarm, told)
        else:
            _end(state, alarm, told.get(alarm.alarm))
    for key, instance in list(register.instances.items()):
        if key not in stored and instance.told and instance.stands:
            register.tell(instance, "raised", now)


def _matter(one: Alarm | AlarmInstance) -> tuple[object, ...]:
    """Return what an alarm is about, by what no version changes: of these one stands at most.

    Of a kind that is one in an enclosure; elsewhere one of a probe, a part of the wiring, or a part of the service.
    """
    if one.enclosure is not None:
        return one.kind, one.enclosure
    return one.kind, one.probe, one.detail.get("branch"), one.detail.get("what")


def _rename(state: JudgeState, key: Key, instance: AlarmInstance, alarm: Alarm, told: Mapping[str, int]) -> None:
    register, now = state.register, state.now
    instance.adopt(alarm, state.shift, told.get(alarm.alarm))
    until = (alarm.shelved_until or 0) - state.shift
    if alarm.state == "shelved" and until > now:
        register.shelved[key] = until
        state.set_timer(until, "shelved", key)
    withheld = register.withheld(key, now)
    if withheld is not None:
        instance.withhold_as(withheld)
    elif not instance.told:
        instance.resume("normal", now)
        instance.apply("raise", now)
        register.tell(instance, "raised", now)
    elif instance.acked:
        instance.resume("acknowledged", now)
        state.set_timer(now + state.realarm_seconds(instance.enclosure), "realarm", key)
    else:
        instance.resume("unacknowledged", now)


def _end(state: JudgeState, alarm: Alarm, events: int | None) -> None:
    register, now = state.register, state.now
    key: Key = (alarm.enclosure or alarm.probe or "", alarm.kind)
    if key in register.instances:
        key = (f"{key[0]}|{alarm.alarm}", alarm.kind)
    instance = AlarmInstance(
        alarm.alarm, alarm.kind, key[0], alarm.enclosure, alarm.probe, alarm.band, alarm.since - state.shift
    )
    instance.adopt(alarm, state.shift, events)
    instance.adopt_words(alarm)
    instance.resume("acknowledged" if alarm.state == "acknowledged" else "unacknowledged", now)
    if events is None:  # withheld, and nobody was ever told: it ends untold
        instance.resume("normal", now)
        register.tell(instance, "annotated", now, why=WHY)
        return
    register.instances[key] = instance
    if alarm.state == "returned_unacknowledged":
        instance.resume("returned_unacknowledged", now)
    else:
        register.clear(key, now, why=WHY)
