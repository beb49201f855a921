"""People, and how they are told."""

from __future__ import annotations

from datetime import time
from typing import Annotated

from dewkeeper_config.models.base import Field, Model, Name
from dewkeeper_config.models.secrets import Secret
from dewkeeper_config.values import CheckedBy, LocalTime, false_is_none


class QuietHours(Model):
    """Local times in which only urgent messages pass."""

    start: LocalTime = Field(default=time(22, 0), description="Local time they begin.")
    end: LocalTime = Field(default=time(7, 0), description="Local time they end.")


class Person(Model):
    """Somebody who is told."""

    name: Name = Field(description="Name, as in the log of who acknowledged.", examples=["Marit"])
    channels: list[Name] = Field(
        min_length=1,
        description="Channels, the first is tried first; others report its failure.",
        examples=[["phone"]],
    )
    quiet_hours: Annotated[QuietHours | None, CheckedBy(false_is_none, before=True)] = Field(
        default=QuietHours(),
        description="Hours in which only what is urgent, or must be answered before they end, is told; `false` for none.",
    )
    escalation: int = Field(
        default=0, ge=0, le=9, description="0 is told first; 1 when an urgent alarm is not acknowledged in time."
    )
    sitter: bool = Field(default=False, description="Told instead of the keepers while away mode is on.")
    daily_budget: int = Field(
        default=20, ge=1, le=500, description="More messages than this a day are reported, never withheld."
    )


class Notify(Model):
    """How people are told."""

    escalate_minutes: float = Field(
        default=15.0, ge=1, le=240, description="An urgent alarm unacknowledged this long goes to the next person."
    )
    remind_hours: float = Field(
        default=6.0,
        ge=0.25,
        le=168,
        description="So often what nobody acknowledged is repeated: an urgent alarm hourly at the least, a medium one "
        "that must be answered within six hours in the daytime. All else is repeated in the morning message, where there is one.",
    )
    morning_at: LocalTime | None = Field(
        default=None, description="Local time of the morning message; leave out for none.", examples=["06:50"]
    )
    round_at: Annotated[LocalTime | None, CheckedBy(false_is_none, before=True)] = Field(
        default=time(18, 0),
        description="Local time of the message that says what is due, sent when anything is; `false` for none.",
        examples=["18:00"],
    )
    heartbeat_url: Secret | None = Field(
        default=None,
        description="Pinged while probes are read, readings stored and messages sent; an outside service notices silence.",
        examples=[{"credential": "heartbeat_url"}],
    )
    heartbeat_minutes: float = Field(default=5.0, ge=1, le=60, description="Minutes between two pings.")
    path_test_days: int = Field(
        default=30, ge=1, le=366, description="Nag when no path test was confirmed for this long."
    )
