"""After a power cut or a crash: one message that says how long, what was measured last, what is unknown, where to look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dewkeeper.judge.lifecycle import WITHHELD
from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.types import Alarm, Quality, Reading
from dewkeeper.notify.message_words import TITLE_LENGTH
from dewkeeper.notify.people import Draft
from dewkeeper.notify.phrases import short_of
from dewkeeper.report.alarm_words import STATE_WORDS
from dewkeeper.report.off_times import HEAT_AFTER_CUT, OFF_WORDS, OffTime, why_off
from dewkeeper.report.wording import Wording, duration

WORTH_TELLING_SECONDS = 300
"""A shorter gap after a stop in good order is an update or a restart by hand."""
_POLLS = 3
"""Nor is one of so few polls, where polls are minutes apart."""
SHORT_AGAIN_SECONDS = 86400
"""A crash with a shorter gap is told once in so long: the log has each."""


@dataclass(frozen=True, slots=True)
class Outage:
    """How the daemon found things at its start. last: second of the last stored reading or item.

    disorder: the process before did not stop in good order. rebooted: the machine was started since.
    newest: the last reading of each probe and its verdict. standing: alarms that stood. poll_seconds: so far apart are
    readings anyway.
    """

    last: int
    disorder: bool
    rebooted: bool
    newest: Sequence[tuple[Reading, Quality]]
    standing: Sequence[Alarm]
    places: Mapping[str, str]
    poll_seconds: int

    def worth_telling(self, began: int, told: int) -> bool:
        """Return whether it is worth a message. began: start of this process; told: when one was last sent, 0 never."""
        if began - self.last >= max(WORTH_TELLING_SECONDS, _POLLS * self.poll_seconds) or self.rebooted:
            return True
        return self.disorder and began - told >= SHORT_AGAIN_SECONDS

    def off_time(self, began: int) -> OffTime:
        """Return when dewkeeper was off, and why. began: start of this process, UTC seconds."""
        return OffTime(self.last, began, why_off(rebooted=self.rebooted, disorder=self.disorder))

    def draft(self, began: int, wording: Wording, *, clock_known: bool) -> Draft:
        """Return the message. clock_known: whether the time of now is certain; otherwise so is not the length."""
        length = duration(began - self.last) if clock_known else "an unknown time"
        said = OFF_WORDS[self.off_time(began).why]
        cause = f"{said[0].upper()}{said[1:]}."
        lines = [
            f"Nothing was watched for {length} from {wording.stamp(self.last)} on. {cause}",
            *self._last_measured(wording),
            "Unknown: how warm, cold, dry or damp it was in between. No alarm could be told in that time.",
        ]
        if not clock_known:
            lines.append("The clock is not set yet: no network, or no time service. Times are put right when it is.")
        lines += self._stood()
        if self.rebooted:
            lines.append(
                f"{HEAT_AFTER_CUT[0].upper()}{HEAT_AFTER_CUT[1:]}. Then at every animal, water and lids. If they were cold or hot for long, ask your exotics vet."
            )
            lines.append("If nobody else lost power: look at the machine's power supply, plug and card.")
        else:
            lines.append(
                f"Look at the log, {TYPED}: `journalctl -u dewkeeper`. If it happens again: a new card, as the guide says under “A new card”."
            )
        return Draft(
            event=f"outage/{self.last}/{began}",
            title=f"Not watched for {length} – look at the heat"[:TITLE_LENGTH],
            lines=tuple(lines),
            priority="medium",
            kind="outage",
        )

    def _stood(self) -> list[str]:
        """Return what stood when it ended, and apart from that what was over and not yet seen; urgent ones first."""
        urgent_first = sorted(self.standing, key=lambda alarm: (alarm.priority != "urgent", alarm.since))
        over = [alarm for alarm in urgent_first if alarm.state == "returned_unacknowledged"]
        stood = [alarm for alarm in urgent_first if alarm not in over]
        said = {"Standing when it ended": stood, "Over before, but nobody has said that they saw it": over}
        return [f"{what}: {', '.join(dict.fromkeys(map(_named, which)))}." for what, which in said.items() if which]

    def _last_measured(self, wording: Wording) -> list[str]:
        counted = [r for r, q in self.newest if q.counts and r.humidity_percent is not None and r.probe in self.places]
        if not counted:
            return ["Nothing believed was measured shortly before."]
        driest = min(counted, key=lambda r: r.humidity_percent or 0)
        warmest = max(counted, key=lambda r: r.temperature_c or 0)
        coldest = min(counted, key=lambda r: r.temperature_c or 0)
        return [
            f"Measured last, {wording.clock(max(r.time for r in counted))}: driest {self.places[driest.probe]} "
            f"{wording.humidity(driest.humidity_percent)}, warmest {self.places[warmest.probe]} "
            f"{wording.temperature(warmest.temperature_c)}, coldest {self.places[coldest.probe]} "
            f"{wording.temperature(coldest.temperature_c)}."
        ]


def _named(alarm: Alarm) -> str:
    withheld = f" ({STATE_WORDS[alarm.state]})" if alarm.state in WITHHELD else ""
    return f"{alarm.enclosure or alarm.probe or 'dewkeeper'} {short_of(alarm.kind).what}{withheld}"
