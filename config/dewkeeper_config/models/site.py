"""The place and its clock, where readings live, and who changed the file."""

from __future__ import annotations

from datetime import time
from pathlib import Path
from typing import Annotated, Literal

from dewkeeper_config.models.base import Field, Model
from dewkeeper_config.values import CheckedBy, LocalTime, PathText, check_timezone


class Site(Model):
    """The place, its clock and how often it is read."""

    name: str = Field(
        default="The rack", min_length=1, max_length=60, description="Shown at the head of messages and pages."
    )
    timezone: Annotated[str, CheckedBy(check_timezone)] = Field(
        default="UTC", description="IANA zone name, as in `Europe/Vienna`.", examples=["Europe/Vienna"]
    )
    units: Literal["celsius", "fahrenheit"] = Field(
        default="celsius", description="Unit of shown temperatures. Limits are always °C."
    )
    poll_seconds: int = Field(default=60, ge=10, le=600, description="Seconds between two readings of every probe.")
    night_start: LocalTime = Field(
        default=time(21, 0), description="Local time at which the night of the morning glance begins."
    )
    night_end: LocalTime = Field(default=time(8, 0), description="Local time at which that night ends.")


class Backup(Model):
    """Where the nightly copy goes."""

    folder: PathText | None = Field(
        default=None,
        description="A folder, best on another drive; left out: no backup.",
        examples=["/mnt/backup/dewkeeper"],
    )
    require_mount: bool = Field(
        default=True,
        description="Refuse to write unless the folder lies on a mounted drive; `false` for one on the same card.",
    )
    command: list[str] = Field(default=[], description="A command run after each copy, `{file}` stands for its path.")
    keep_daily: int = Field(default=7, ge=1, le=366, description="Daily copies kept.")
    keep_monthly: int = Field(default=12, ge=0, le=240, description="Monthly copies kept besides.")


class Storage(Model):
    """Where readings live."""

    folder: PathText = Field(
        default=Path("/var/lib/dewkeeper"), description="Folder of the database and the state files."
    )
    commit_minutes: float = Field(
        default=1.0, ge=1, le=15, description="Readings are committed this often; 5 is gentle on a card."
    )
    hot_days: int = Field(default=2, ge=2, le=14, description="Days kept as plain rows before they are compressed.")
    free_percent: float = Field(
        default=10.0, ge=1, le=50, description="Less free space than this raises a `system` alarm."
    )
    ballast_mb: int = Field(default=16, ge=0, le=1024, description="A file given up first when the disk is full.")
    backup: Backup = Field(default=Backup(), description="The nightly copy.")


class ChangeNote(Model):
    """Who changed this file last, and why: logged with every value that is new since the last start."""

    who: str = Field(default="", max_length=80, description="Who changed it.", examples=["Runa"])
    why: str = Field(
        default="",
        max_length=400,
        description="Why. The same words are used for one change only.",
        examples=["dry in winter"],
    )
