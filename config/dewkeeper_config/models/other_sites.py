"""Other sites: a neighbour that notices when this one falls silent, and the collector that notices it of all."""

from __future__ import annotations

from dewkeeper_config.models.base import Field, Model
from dewkeeper_config.models.secrets import Secret
from dewkeeper_config.values import PathText


class Neighbour(Model):
    """Another site that tells when this one falls silent, as this one tells of it. Left out: there is none."""

    name: str = Field(
        min_length=1,
        max_length=60,
        description="What the other calls itself: its `[site] name`.",
        examples=["North room"],
    )
    address: str = Field(description="Where its page is reached from here.", examples=["http://north.local:8080"])
    key: Secret = Field(
        description="The key that both have: `whsec_` and base64 of 24 to 64 random bytes.",
        examples=[{"credential": "neighbour_key"}],
    )
    minutes: float = Field(default=1.0, ge=0.5, le=60, description="Minutes between two heartbeats sent.")
    silent_minutes: float = Field(
        default=15.0,
        ge=2,
        le=1440,
        description="Nothing heard for so long is told, at any hour; twice `minutes` at least.",
    )
    ca_file: PathText | None = Field(
        default=None,
        description="Own certificate authority of an https address, PEM.",
        examples=["/etc/dewkeeper/ca.pem"],
    )


class Collector(Model):
    """On the machine of the PostgreSQL server: tell when a site sends nothing any more, or is in trouble; the page is then over all sites. Left out: neither."""

    address: Secret = Field(
        description="How to reach the server, as a role that reads: `host=... dbname=... user=... password=...`.",
        examples=[{"credential": "collector_address"}],
    )
    ca_file: PathText | None = Field(
        default=None,
        description="Own certificate authority, PEM. A server on another machine must show a certificate for its name.",
        examples=["/etc/dewkeeper/ca.pem"],
    )
    minutes: float = Field(default=1.0, ge=0.5, le=60, description="Minutes between two looks.")
    silent_minutes: float = Field(
        default=60.0,
        ge=5,
        le=10080,
        description="A site that has sent nothing for so long is told of; they send every five minutes.",
    )
    wake: bool = Field(
        default=True,
        description="Whether silence is told at any hour; `false`: what is told at night can wait for the morning.",
    )
