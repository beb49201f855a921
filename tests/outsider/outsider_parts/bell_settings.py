"""What the configuration file says of a bell: imported when a file is checked, so it imports nothing that sends."""

from __future__ import annotations

from typing import Literal

from dewkeeper_config.models import ChannelConfig, Field
from dewkeeper_config.models.secrets import Secret


class BellChannel(ChannelConfig):
    """A bell with a display in the hallway."""

    kind: Literal["bell"] = Field(description="`bell`.")
    host: str = Field(min_length=1, max_length=253, description="Where it listens.", examples=["bell.local"])
    port: int = Field(default=7007, ge=1, le=65535, description="Its port.")
    token: Secret = Field(description="What it knows us by.", examples=[{"credential": "bell_token"}])
    sound: Literal["chime", "horn"] = Field(default="chime", description="What it plays.")
