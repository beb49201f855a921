"""What files and messages say to the world: instants as ISO 8601 UTC, and the columns of a readings file."""

from __future__ import annotations

from datetime import UTC, datetime

READINGS_HEADER = ["time", "probe", "temperature_c", "humidity_pct"]


def parse_time(text: str) -> int:
    """Return integer UTC seconds of an ISO 8601 time ending in `Z`, fractions cut. Raises ValueError."""
    if not text.endswith("Z"):
        raise ValueError("no UTC time ending in Z")
    return int(datetime.fromisoformat(text).timestamp())


def format_time(seconds: int) -> str:
    """Return the ISO 8601 UTC form of integer seconds."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
