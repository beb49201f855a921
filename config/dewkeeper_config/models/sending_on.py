"""Where everything stored is sent on to, for who has more than one site."""

from __future__ import annotations

from dewkeeper_config.models.base import Field, Model, Name
from dewkeeper_config.models.secrets import Secret
from dewkeeper_config.values import PathText


class Collect(Model):
    """A PostgreSQL server that keeps what many sites stored. Left out: nothing is sent."""

    site: Name = Field(
        description="The name the server's owner let this site in by; no two Pis may have one.", examples=["north room"]
    )
    address: Secret = Field(
        description="How to reach it, as PostgreSQL writes it: `host=... dbname=... user=... password=...`.",
        examples=[{"credential": "collect_address"}],
    )
    ca_file: PathText | None = Field(
        default=None,
        description="Own certificate authority, PEM. A server on another machine must show a certificate for its name.",
        examples=["/etc/dewkeeper/ca.pem"],
    )
    minutes: float = Field(default=5.0, ge=1, le=60, description="Minutes between two sendings.")
