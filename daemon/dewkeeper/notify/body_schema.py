"""The published shape of the webhook's JSON body, version 1. `dewkeeper notify schema` prints it as JSON schema."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from dewkeeper.judge.types import Priority

Instant = str


class _Part(BaseModel):
    # Receivers must accept fields they do not know: more may come within version 1.
    model_config = ConfigDict(extra="allow", frozen=True)


class MemberBody(_Part):
    """One enclosure of a grouped message."""

    name: str = Field(description="Enclosure, or probe for one without.")
    since: int = Field(description="When it began, UTC seconds.")
    event: str = Field(description="Id of its own event.")
    until: int | None = Field(None, description="When it was over, UTC seconds; null while it stands.")
    over: bool | None = Field(None, description="True if it has ended, where nobody knows since when.")
    do: str | None = Field(None, description="What to do there in a few words, where it is not the same for all.")
    response: str | None = Field(None, description="The same in full.")
    value: float | None = Field(
        None, description="The newest value there that is believed, %RH or °C as the kind has it."
    )
    limit: float | None = Field(None, description="The limit passed there, in the same unit.")


class Data(_Part):
    """What the message is about; absent where it does not apply."""

    happening: (
        Literal["raised", "escalated", "reminded", "unanswered", "handed_over", "cleared", "annotated"] | None
    ) = Field(None, description="What happened to the alarm.")
    kind: str | None = Field(None, description="Kind of the alarm: dry, damp, hot, cold, missing ...")
    enclosure: str | None = Field(None, description="Enclosure, as configured.")
    probe: str | None = Field(None, description="Probe, as configured.")
    rack: str | None = Field(None, description="Rack.")
    room: str | None = Field(None, description="Room.")
    where: str | None = Field(None, description="Rack and room in words, in a house of several racks.")
    band: Literal["target", "tolerable"] | None = Field(None, description="Which limit was passed.")
    since: Instant | None = Field(None, description="When it began, ISO 8601 UTC.")
    until: Instant | None = Field(None, description="When it was over, ISO 8601 UTC.")
    value: float | None = Field(None, description="Value at that moment, %RH or °C as the kind has it.")
    limit: float | None = Field(None, description="The limit passed, in the same unit.")
    now_value: float | None = Field(None, description="The newest value that is believed, when the message is sent.")
    now_at: Instant | None = Field(None, description="When that was measured, ISO 8601 UTC.")
    now_beside: float | None = Field(
        None, description="The other of temperature and humidity in that reading, °C or %RH."
    )
    over: bool | None = Field(None, description="True if it has ended by the time the message is sent.")
    still: str | None = Field(
        None, description="Of one that has ended: what is still beyond its limit there, in words."
    )
    highest: float | None = Field(None, description="Of a heat that is over: the hottest it was, °C.")
    danger: bool | None = Field(None, description="True beyond the danger limit.")
    doubt: str | None = Field(None, description="What is believed of the probe while its alarm is told all the same.")
    either: str | None = Field(None, description="The other enclosure it may be, where two probes may be exchanged.")
    tubs: list[str] | None = Field(None, description="Enclosures nobody watches, of a fault of a whole branch.")
    cause: str | None = Field(None, description="Likely cause.")
    consequence: str | None = Field(None, description="What happens if nothing is done.")
    response: str | None = Field(None, description="What to do.")
    within_seconds: int | None = Field(None, description="Time to respond, seconds.")
    respond_by: Instant | None = Field(None, description="Until when it is to be answered, ISO 8601 UTC.")
    action: str | None = Field(None, description="What to do, in a few words.")
    recorded: bool | None = Field(None, description="False while the database refuses to store.")
    members: list[MemberBody] | None = Field(None, description="Enclosures of a grouped message.")
    alarms: list[str] | None = Field(None, description="Ids of all alarms the message speaks of.")
    link: str | None = Field(None, description="The page.")
    ack_link: str | None = Field(
        None, description="Link that opens a button to say that it is seen; opening it changes nothing."
    )
    late_seconds: int | None = Field(None, description="How much later than planned it was sent.")


class Gathered(_Part):
    """One message that a digest or a later word stands for."""

    id: str = Field(description="Id it would have had.")
    event: str | None = Field(None, description="Its event.")
    title: str = Field(description="Its first line.")
    alarm: str | None = Field(None, description="Its alarm.")
    type: str | None = Field(None, description="What it would have been, as `type` of the whole.")


class WebhookBody(_Part):
    """One message. The id is the same over all attempts: a receiver that has it already may drop the double."""

    version: Literal[1] = Field(description="Version of this shape.")
    type: str = Field(description="`<kind>.<happening>` for alarms, else the kind of message: morning, digest ...")
    timestamp: Instant = Field(description="When it was planned, ISO 8601 UTC.")
    id: str = Field(description="Id of the message, also in the header `webhook-id`.")
    event: str | None = Field(description="Id of the event: the same over every channel and person.")
    alarm: str | None = Field(description="Id of the alarm, constant over all that is told of it.")
    person: str = Field(description="Whom it is for.")
    priority: Priority = Field(description="How pressing it is.")
    title: str = Field(max_length=60, description="First line: enclosure, what, since when, what to do.")
    lines: list[str] = Field(description="The rest, ready to show.")
    data: Data = Field(description="The same for programs.")
    gathers: list[Gathered] = Field(description="Messages a digest stands for; empty for any other.")


def json_schema() -> dict[str, Any]:
    """Return the JSON schema of the body."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **WebhookBody.model_json_schema()}
