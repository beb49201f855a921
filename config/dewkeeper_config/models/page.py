"""The page."""

from __future__ import annotations

from dewkeeper_config.models.base import Field, Model


class Web(Model):
    """The page."""

    enabled: bool = Field(default=True, description="Serve the page.")
    host: str = Field(default="127.0.0.1", description="Address to listen on; `0.0.0.0` opens it to the LAN.")
    port: int = Field(default=8080, ge=0, le=65535, description="TCP port; 0 takes a free one.")
    base_url: str | None = Field(
        default=None,
        description="How phones reach the page, for links in messages: `http://rack.local:8080`.",
        examples=["http://rack.local:8080"],
    )
    trusted_proxies: list[str] = Field(
        default=[], description="Addresses of reverse proxies whose forwarded headers are believed."
    )
    vet_phone: str = Field(default="", max_length=80, description="Your exotics vet, shown on the sitter's sheet.")
    keeper_phone: str = Field(
        default="", max_length=80, description="Whom the sitter calls, shown on the sitter's sheet."
    )
    heat_off: str = Field(
        default="",
        max_length=600,
        description="How heat is switched off by hand, in plain words, for the sitter's sheet.",
        examples=["Pull the white plug marked HEAT LEFT at the wall, lift the lid, and call me."],
    )
