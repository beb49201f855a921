"""Every table, as SQLAlchemy Core metadata; in words: FORMAT.md. Alembic alone makes and changes them: `migrations`."""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    text,
)

metadata = MetaData()
WHOLE = BigInteger().with_variant(Integer(), "sqlite")
"""As a key SQLite's own row number, which costs nothing and keeps rows in its order; as wide elsewhere."""
QUARTER = ("n", "watched", "t_min", "t_range", "t_over", "h_min", "h_range", "h_over", "t_driest", "h_at", "t_at", "humid", "heat", "dose")  # fmt: skip
T_ONLY = "t_only"
NOT_NORMAL, PENDING, LASTS = text("state != 'normal'"), text("state = 'pending'"), text("lasts = 1")


def _keys(*names: str) -> list[Column[Any]]:
    return [Column(name, WHOLE, primary_key=True) for name in names]


def _whole(*names: str) -> list[Column[Any]]:
    return [Column(name, WHOLE, nullable=False) for name in names]


def _added(name: str) -> Column[Any]:
    """Return a column that came with a later revision: rows of before have none of it."""
    return Column(name, WHOLE, nullable=False, server_default=text("0"))


def _text(*names: str) -> list[Column[Any]]:
    return [Column(name, Text, nullable=False) for name in names]


def _bytes(name: str) -> Column[Any]:
    return Column(name, LargeBinary, nullable=False)


probe = Table(
    "probe", metadata, *_keys("id"), Column("name", Text, nullable=False, unique=True), *_text("scale"),
    CheckConstraint("id BETWEEN 1 AND 1023"),
)  # fmt: skip
# In order of time: a poll appends to one or two pages.
reading = Table("reading", metadata, *_keys("key"), Column("t", WHOLE), Column("h", WHOLE))
chunk = Table("chunk", metadata, *_keys("key"), *_whole("n"), _bytes("data"))
damaged = Table("damaged", metadata, *_keys("key"), *_whole("n"), _bytes("data"))
verdict = Table("verdict", metadata, *_keys("key"), *_whole("stop", "flag"), *_text("tests"))
exclusion = Table(
    "exclusion", metadata, *_keys("probe_id", "start", "stop"), *_whole("flag"), *_text("tests")
)  # fmt: skip
late = Table(
    "late", metadata, *_keys("seq"), Column("key", WHOLE, nullable=False, unique=True), *_whole("after_key", "flag"),
    *_text("tests"), Index("late_after", "after_key", "seq"),
)  # fmt: skip
recent = Table("recent", metadata, *_keys("key"), *_whole(*QUARTER), _added(T_ONLY))
rollup = Table("rollup", metadata, *_keys("key"), *_whole(*QUARTER), _added(T_ONLY))
covered = Table("covered", metadata, *_keys("id"), *_whole("rolled", "until"), CheckConstraint("id = 1"))
# The second index holds what lasts whole: a question about any night needs it all, and of the rows it may be one on every page.
item = Table(
    "item", metadata, *_keys("seq"), *_whole("after_key", "time"), *_text("kind"), Column("word", Text),
    Column("enclosure", Text), *_text("data"), *_whole("lasts"),
    Index("item_kind", "kind", "time"), Index("item_lasting", "seq", "kind", "data", "lasts", sqlite_where=LASTS, postgresql_where=LASTS),
)  # fmt: skip
event = Table(
    "event", metadata, *_keys("seq"), Column("id", Text, nullable=False, unique=True), *_text("alarm"), *_whole("time"),
    Column("enclosure", Text), *_text("data"), Index("event_time", "time"), Index("event_alarm", "alarm"),
)  # fmt: skip
alarm = Table(
    "alarm", metadata, Column("alarm", Text, primary_key=True), *_text("state"), *_whole("raised"), *_text("data"),
    Index("alarm_state", "state", sqlite_where=NOT_NORMAL, postgresql_where=NOT_NORMAL),
)  # fmt: skip
message = Table(
    "message", metadata, *_keys("seq"), Column("id", Text, nullable=False, unique=True), *_text("state", "person", "channel", "priority"),
    *_whole("not_before", "next_try", "attempts"), *_text("last_error"), *_whole("created"), Column("sent", WHOLE),
    *_text("data"), Index("message_pending", "next_try", sqlite_where=PENDING, postgresql_where=PENDING),
)  # fmt: skip
snapshot = Table("snapshot", metadata, *_keys("id"), *_whole("time", "after_key", "after_item"), _bytes("data"))
note = Table("note", metadata, Column("name", Text, primary_key=True), *_text("value"))
