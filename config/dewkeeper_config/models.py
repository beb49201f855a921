"""What the TOML file may say. Every field's description is also the reference the documentation prints."""

from __future__ import annotations

from datetime import time
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, FiniteFloat

from dewkeeper_config.secrets import Secret
from dewkeeper_config.values import LocalTime, PathText, check_name, check_timezone, false_is_none

Name = Annotated[str, AfterValidator(check_name)]
Humidity = Annotated[FiniteFloat, Field(ge=0, le=100)]
Temperature = Annotated[FiniteFloat, Field(ge=-40, le=80)]
Role = Literal["substrate", "warm_end", "humid_hide", "room"]
Lever = Literal["misting", "bowl_size", "bowl_place", "mesh_cover", "holes", "substrate", "humid_hide"]
Stage = Literal["adult", "hatchling", "opaque", "gravid", "quarantine", "egg_box"]


class Model(BaseModel):
    """Base of every table: unknown keys are refused and nothing changes after loading."""

    # Strict: `true` is not 1 and "60" is not 60; a quoted number is a slip, and "nan" would pass every comparison.
    model_config = ConfigDict(
        extra="forbid", frozen=True, validate_default=True, strict=True, allow_inf_nan=False, hide_input_in_errors=True
    )


class Span(Model):
    """A lowest and a highest allowed value."""

    low: FiniteFloat = Field(description="Lowest value that is still inside.")
    high: FiniteFloat = Field(description="Highest value that is still inside.")


class HumiditySpan(Model):
    """A humidity band in %RH."""

    low: Humidity = Field(description="Lowest humidity inside the band, %RH, 0 to 100.")
    high: Humidity = Field(description="Highest humidity inside the band, %RH, 0 to 100.")


class TemperatureSpan(Model):
    """A temperature band in °C."""

    low: Temperature = Field(description="Lowest temperature inside the band, °C, -40 to 80.")
    high: Temperature = Field(description="Highest temperature inside the band, °C, -40 to 80.")


class Delays(Model):
    """How long a state must last before it is told, and before it counts as over."""

    dry_tolerable_minutes: float = Field(
        60, gt=0, le=1440, description="Below tolerable humidity this long raises `dry`."
    )
    dry_target_minutes: float = Field(180, gt=0, le=4320, description="Below target humidity this long raises `dry`.")
    damp_tolerable_minutes: float = Field(
        180, gt=0, le=4320, description="Above tolerable humidity this long raises `damp`."
    )
    damp_target_minutes: float = Field(
        1440, gt=0, le=10080, description="Above target humidity this long raises `damp`."
    )
    cold_minutes: float = Field(30, gt=0, le=720, description="Below tolerable temperature this long raises `cold`.")
    hot_samples: int = Field(2, ge=2, le=10, description="So many consecutive readings above tolerable raise `hot`.")
    off_minutes: float = Field(
        10, gt=0, le=240, description="Back past the limit by the deadband this long clears an alarm."
    )
    humidity_deadband: float = Field(2.0, ge=0, le=20, description="Deadband of the humidity limits, %RH.")
    temperature_deadband: float = Field(0.5, ge=0, le=5, description="Deadband of the temperature limits, °C.")
    realarm_hours: float = Field(
        12, gt=0, le=168, description="An acknowledged alarm not cured comes back after this long."
    )


class Limits(Model):
    """The limits one enclosure is judged by."""

    humidity_target: HumiditySpan = Field(HumiditySpan(low=60, high=70), description="Where the humidity should be.")
    humidity_tolerable: HumiditySpan = Field(HumiditySpan(low=55, high=80), description="Beyond this harm begins.")
    temperature_target: TemperatureSpan | None = Field(
        None, description="Shown only, never judged.", examples=[{"low": 27, "high": 32}]
    )
    temperature_tolerable: TemperatureSpan = Field(
        TemperatureSpan(low=24, high=34), description="Beyond this harm begins."
    )
    temperature_danger: Temperature = Field(38, description="Above this it is an emergency, °C.")
    day_temperature: Temperature = Field(
        30, description="The day temperature near the probe, °C: night minima are also shown referred to it."
    )
    delays: Delays = Field(Delays(), description="On-delays, off-delays and deadbands.")


class Profile(Model):
    """Limits for a species and life stage: common practice, editable, never veterinary advice."""

    name: Name = Field(description="The name enclosures refer to.", examples=["my_adults"])
    like: Stage | None = Field(
        None,
        description="Built-in profile that gives every limit left out here. "
        "Default: the built-in of the same name, else `adult`.",
        examples=["adult"],
    )
    about: str = Field("", max_length=500, description="Where these numbers come from, in a sentence.")
    limits: Limits = Field(
        Limits(), description="The limits of this profile; only what differs from `like` need be given."
    )


class Site(Model):
    """The place, its clock and how often it is read."""

    name: str = Field("The rack", min_length=1, max_length=60, description="Shown at the head of messages and pages.")
    timezone: Annotated[str, AfterValidator(check_timezone)] = Field(
        "UTC", description="IANA zone name, as in `Europe/Vienna`.", examples=["Europe/Vienna"]
    )
    units: Literal["celsius", "fahrenheit"] = Field(
        "celsius", description="Unit of shown temperatures. Limits are always °C."
    )
    poll_seconds: int = Field(60, ge=10, le=600, description="Seconds between two readings of every probe.")
    night_start: LocalTime = Field(
        time(21, 0), description="Local time at which the night of the morning glance begins."
    )
    night_end: LocalTime = Field(time(8, 0), description="Local time at which that night ends.")
    sea_level_pressure_hpa: float = Field(
        1013.25, ge=500, le=1100, description="Air pressure used for mixing ratios, hPa."
    )


class Backup(Model):
    """Where the nightly copy goes."""

    folder: PathText | None = Field(
        None, description="A folder, best on another drive; left out: no backup.", examples=["/mnt/backup/dewkeeper"]
    )
    require_mount: bool = Field(
        True, description="Refuse to write unless the folder lies on a mounted drive; `false` for one on the same card."
    )
    command: list[str] = Field([], description="A command run after each copy, `{file}` stands for its path.")
    keep_daily: int = Field(7, ge=1, le=366, description="Daily copies kept.")
    keep_monthly: int = Field(12, ge=0, le=240, description="Monthly copies kept besides.")


class Storage(Model):
    """Where readings live."""

    folder: PathText = Field(Path("/var/lib/dewkeeper"), description="Folder of the database and the state files.")
    commit_minutes: float = Field(
        1, ge=1, le=15, description="Readings are committed this often; 5 is gentle on a card."
    )
    hot_days: int = Field(2, ge=2, le=14, description="Days kept as plain rows before they are compressed.")
    free_percent: float = Field(10, ge=1, le=50, description="Less free space than this raises a `system` alarm.")
    ballast_mb: int = Field(16, ge=0, le=1024, description="A file given up first when the disk is full.")
    backup: Backup = Field(Backup(), description="The nightly copy.")


class Multiplexer(Model):
    """A TCA9548A or PCA9548 driven from user space. The kernel's driver is better: then list its buses instead."""

    address: int = Field(0x70, ge=0x70, le=0x77, description="I2C address, 0x70 to 0x77.")


class Bus(Model):
    """One I2C bus."""

    name: Name = Field(description="The name probes refer to.", examples=["i2c1"])
    kind: str = Field(
        "linux", description="`linux` for /dev/i2c-N; others come from installed packages (`wire` in the demo)."
    )
    number: int = Field(1, ge=0, le=255, description="N of /dev/i2c-N.")
    adapter: str | None = Field(
        None,
        description="Buses with the same adapter name share one worker (kernel multiplexer channels). "
        "Default: the bus name.",
        examples=["i2c1"],
    )
    multiplexers: list[Multiplexer] = Field(
        [], description="User-space multiplexers on this bus.", examples=[[{"address": 0x70}]]
    )
    options: dict[str, str | int | float | bool] = Field({}, description="Options of a bus kind other than `linux`.")


class Rack(Model):
    """A rack or a group of furnished enclosures in one room."""

    name: Name = Field(description="The name enclosures refer to.", examples=["left"])
    room: Name = Field("room", description="The room it stands in; enclosures of a room share its air.")


class Enclosure(Model):
    """One tub, vivarium or egg box."""

    name: Name = Field(description="Short name, as you would write it on the tub: `B4`.", examples=["B4"])
    rack: Name = Field(description="Rack it belongs to.", examples=["left"])
    shelf: int = Field(1, ge=1, le=99, description="Shelf, counted from the top.")
    place: int = Field(1, ge=1, le=99, description="Place on the shelf, counted from the left.")
    kind: Literal["tub", "furnished", "egg_box"] = Field("tub", description="What it is.")
    profile: Name = Field("adult", description="Built-in or own profile whose limits apply.")
    limits: Limits | None = Field(
        None, description="Limits of this enclosure alone; what is left out is the profile's."
    )
    open_water: bool = Field(
        True, description="Has an open water bowl: then it cannot be drier than its room for long."
    )
    heater: bool = Field(True, description="Has its own heat source.")
    levers: list[Lever] = Field(
        ["misting", "bowl_size", "bowl_place", "substrate", "humid_hide"],
        description="What the keeper can change here; advice chooses among these.",
    )
    mesh_near_heat: bool = Field(False, description="A mesh lid close to a lamp or heater: covering it risks fire.")
    volume_litres: float | None = Field(None, gt=0, le=10000, description="Air volume, litres.", examples=[40])


class ProbeConfig(Model):
    """One probe and where it is."""

    name: Name = Field(description="Unique name.", examples=["b4"])
    enclosure: Name | None = Field(None, description="Enclosure it reads; left out for a room probe.", examples=["B4"])
    room: Name | None = Field(None, description="Room it reads, for role `room`.", examples=["room"])
    role: Role = Field("substrate", description="`substrate` is judged; the others inform.")
    driver: str = Field(
        "sht31d", description="Driver name: `sht31d`, `sht4x`, `hwmon`, `simulated` or an installed one."
    )
    bus: Name | None = Field(None, description="Bus it hangs on.", examples=["i2c1"])
    address: int | None = Field(
        None, ge=0x08, le=0x77, description="I2C address, 0x44 or 0x45 for an SHT31-D.", examples=[0x44]
    )
    multiplexer: int | None = Field(
        None, ge=0x70, le=0x77, description="Address of the user-space multiplexer it hangs behind.", examples=[0x70]
    )
    channel: int | None = Field(None, ge=0, le=7, description="Channel of that multiplexer.", examples=[0])
    serial: int | None = Field(None, ge=0, description="Serial number, if you want it checked.", examples=[12345678])
    placement: str = Field("", max_length=200, description="Where exactly: end, height, depth.")
    rounded: bool = Field(
        False, description="The data are rounded (hwmon, imports): flat-line needs 60 min instead of 10 readings."
    )
    options: dict[str, str | int | float | bool] = Field({}, description="Options of the driver.")


class QuietHours(Model):
    """Local times in which only urgent messages pass."""

    start: LocalTime = Field(time(22, 0), description="Local time they begin.")
    end: LocalTime = Field(time(7, 0), description="Local time they end.")


class Person(Model):
    """Somebody who is told."""

    name: Name = Field(description="Name, as in the log of who acknowledged.", examples=["Marit"])
    channels: list[Name] = Field(
        min_length=1,
        description="Channels, the first is tried first; others report its failure.",
        examples=[["phone"]],
    )
    quiet_hours: Annotated[QuietHours | None, BeforeValidator(false_is_none)] = Field(
        QuietHours(),
        description="Hours in which only what is urgent, or must be answered before they end, is told; `false` for none.",
    )
    escalation: int = Field(
        0, ge=0, le=9, description="0 is told first; 1 when an urgent alarm is not acknowledged in time."
    )
    sitter: bool = Field(False, description="Told instead of the keepers while away mode is on.")
    daily_budget: int = Field(
        20, ge=1, le=500, description="More messages than this a day are reported, never withheld."
    )


class WebhookChannel(Model):
    """A POST to an address of your choice."""

    kind: Literal["webhook"] = Field(description="`webhook`.")
    name: Name = Field(description="Unique name.", examples=["phone"])
    url: Secret = Field(
        description="Where to POST: text, or `{file = ...}`, `{env = ...}`, `{credential = ...}`.",
        examples=[{"credential": "phone_url"}],
    )
    secrets: list[Secret] = Field([], max_length=2, description="Signing keys (`whsec_...`); two while rotating.")
    body: Literal["json", "text", "template"] = Field("json", description="Own JSON schema, plain text, or a template.")
    template: str | None = Field(
        None,
        max_length=5000,
        description="Body for `template`: `{title}`, `{text}`, `{kind}` ...",
        examples=["{title}: {text}"],
    )
    content_type: str | None = Field(
        None,
        max_length=100,
        description="Content-Type for `text` and `template`.",
        examples=["text/plain; charset=utf-8"],
    )
    headers: dict[str, Secret] = Field({}, description="Extra headers.")
    ca_file: PathText | None = Field(
        None, description="Own certificate authority, PEM.", examples=["/etc/dewkeeper/ca.pem"]
    )
    timeout_seconds: float = Field(20, ge=1, le=120, description="Total deadline of one send.")


class MailChannel(Model):
    """Mail over your provider's submission server."""

    kind: Literal["mail"] = Field(description="`mail`.")
    name: Name = Field(description="Unique name.", examples=["mail"])
    host: str = Field(min_length=1, max_length=253, description="Submission server.", examples=["mail.example.org"])
    port: int = Field(587, ge=1, le=65535, description="587 for STARTTLS, 465 for TLS.")
    security: Literal["starttls", "tls", "none"] = Field("starttls", description="`none` is allowed for loopback only.")
    username: Secret | None = Field(None, description="Login name.", examples=[{"credential": "mail_user"}])
    password: Secret | None = Field(
        None,
        description="Login password: a file, variable or credential, please.",
        examples=[{"credential": "mail_password"}],
    )
    sender: str = Field(min_length=3, max_length=254, description="From address.", examples=["rack@example.org"])
    to: list[str] = Field(min_length=1, max_length=10, description="To addresses.", examples=[["marit@example.org"]])
    ca_file: PathText | None = Field(
        None, description="Own certificate authority, PEM.", examples=["/etc/dewkeeper/ca.pem"]
    )
    timeout_seconds: float = Field(30, ge=1, le=120, description="Total deadline of one send.")
    per_hour: int = Field(
        30, ge=1, le=1000, description="At most so many mails an hour; the rest wait and are gathered."
    )


class AppriseChannel(Model):
    """Any service the optional extra `apprise` can reach."""

    kind: Literal["apprise"] = Field(description="`apprise`.")
    name: Name = Field(description="Unique name.", examples=["other"])
    url: Secret = Field(
        description="Service address as that library writes it.", examples=[{"credential": "other_url"}]
    )
    timeout_seconds: float = Field(30, ge=1, le=120, description="Total deadline of one send.")


Channel = Annotated[WebhookChannel | MailChannel | AppriseChannel, Field(discriminator="kind")]


class Notify(Model):
    """How people are told."""

    escalate_minutes: float = Field(
        15, ge=1, le=240, description="An urgent alarm unacknowledged this long goes to the next person."
    )
    remind_hours: float = Field(
        6, ge=0.25, le=168, description="Standing unacknowledged alarms are repeated this often."
    )
    morning_at: LocalTime | None = Field(
        None, description="Local time of the morning message; leave out for none.", examples=["06:50"]
    )
    heartbeat_url: Secret | None = Field(
        None,
        description="Pinged while probes are read, readings stored and messages sent; an outside service notices silence.",
        examples=[{"credential": "heartbeat_url"}],
    )
    heartbeat_minutes: float = Field(5, ge=1, le=60, description="Minutes between two pings.")
    path_test_days: int = Field(30, ge=1, le=366, description="Nag when no path test was confirmed for this long.")


class Web(Model):
    """The page."""

    enabled: bool = Field(True, description="Serve the page.")
    host: str = Field("127.0.0.1", description="Address to listen on; `0.0.0.0` opens it to the LAN.")
    port: int = Field(8080, ge=0, le=65535, description="TCP port; 0 takes a free one.")
    base_url: str | None = Field(
        None,
        description="How phones reach the page, for links in messages: `http://rack.local:8080`.",
        examples=["http://rack.local:8080"],
    )
    trusted_proxies: list[str] = Field(
        [], description="Addresses of reverse proxies whose forwarded headers are believed."
    )
    vet_phone: str = Field("", max_length=80, description="Your exotics vet, shown on the sitter's sheet.")


class Change(Model):
    """Who changed this file last, and why: logged with every value that is new since the last start."""

    who: str = Field("", max_length=80, description="Who changed it.", examples=["Runa"])
    why: str = Field(
        "", max_length=400, description="Why. The same words are used for one change only.", examples=["dry in winter"]
    )


class Config(Model):
    """The whole file."""

    site: Site = Field(Site(), description="The place.")
    storage: Storage = Field(Storage(), description="Where readings live.")
    bus: list[Bus] = Field([], description="I2C buses.")
    profile: list[Profile] = Field([], description="Own profiles; one with a built-in name replaces it.")
    rack: list[Rack] = Field(min_length=1, description="Racks.")
    enclosure: list[Enclosure] = Field(min_length=1, description="Enclosures.")
    probe: list[ProbeConfig] = Field(min_length=1, max_length=1023, description="Probes.")
    channel: list[Channel] = Field(min_length=1, description="Ways to reach people.")
    person: list[Person] = Field(min_length=1, description="People who are told.")
    notify: Notify = Field(Notify(), description="How people are told.")
    web: Web = Field(Web(), description="The page.")
    change: Change = Field(Change(), description="Who changed this file last, and why.")
