"""Everything the store asks and writes, as Core statements over the tables of `schema`; `:names` are what each is given.

Nobody imports this at run time: `python -m dewkeeper.store.compile` writes each as SQL into `asked` (SQLite) and
`asked_postgresql`, and a test holds both to what is here. Where there is one a table, a dictionary by the table's name.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import (
    BigInteger,
    BindParameter,
    ColumnElement,
    Executable,
    FromClause,
    FunctionElement,
    Select,
    Subquery,
    Table,
    Text,
    and_,
    bindparam,
    case,
    cast,
    delete,
    desc,
    func,
    literal,
    or_,
    select,
    true,
    union_all,
    update,
)
from sqlalchemy.dialects.postgresql import insert  # its ON CONFLICT is SQLite's too
from sqlalchemy.ext.compiler import compiles

from dewkeeper.judge.types import LONGEST_FACT_SECONDS, SUSPECT
from dewkeeper.store.codec import KINDS
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, PROBE_MASK
from dewkeeper.store.quarters import LAST_SECOND, LONG_QUARTERS, QUARTER_SECONDS, RECENT, ROLLUP, Layout
from dewkeeper.store.records import FIGURES, LONGEST_QUIET_SECONDS, MOST_DUE
from dewkeeper.store.schema import LASTS as _LASTS
from dewkeeper.store.schema import NOT_NORMAL as _NOT_NORMAL
from dewkeeper.store.schema import PENDING as _PENDING
from dewkeeper.store.schema import (
    alarm,
    chunk,
    covered,
    damaged,
    event,
    exclusion,
    item,
    late,
    message,
    note,
    probe,
    reading,
    recent,
    rollup,
    snapshot,
    verdict,
)

Whole = ColumnElement[Any]
_LATER_FIGURES = FIGURES + "\U0010ffff"


class _Least(FunctionElement[int]):
    """The smaller of two values, which SQLite calls min."""

    inherit_cache = True
    type = BigInteger()


class _Greatest(FunctionElement[int]):
    """The larger of two values, which SQLite calls max."""

    inherit_cache = True
    type = BigInteger()


class _Listed(FunctionElement[str]):
    """The members of a JSON list."""

    inherit_cache = True
    type = Text()


@compiles(_Least)
@compiles(_Greatest)
def _of_two(element: FunctionElement[int], compiler: Any, **options: Any) -> str:
    ours = {_Least: ("min", "least"), _Greatest: ("max", "greatest")}[type(element)]
    return f"{ours[compiler.dialect.name != 'sqlite']}({compiler.process(element.clauses, **options)})"


@compiles(_Listed)
def _members(element: _Listed, compiler: Any, **options: Any) -> str:
    name = "json_each" if compiler.dialect.name == "sqlite" else "json_array_elements_text"
    given = compiler.process(element.clauses, **options)
    return f"{name}({given if compiler.dialect.name == 'sqlite' else given + '::json'})"


def _n(name: str) -> BindParameter[int]:
    return bindparam(name, type_=BigInteger)


def _t(name: str) -> BindParameter[str]:
    return bindparam(name, type_=Text)


def _words_of(name: str) -> Select[Any]:
    """Return the words of a list, given as JSON."""
    return select(_Listed(_t(name)).table_valued("value").c.value)


def _numbers_of(name: str) -> Select[Any]:
    """Return the numbers of a list, given as JSON."""
    return select(cast(_Listed(_t(name)).table_valued("value").c.value, BigInteger))


def _or_all(column: Whole, name: str) -> ColumnElement[bool]:
    """Return whether a column is what is given, or nothing is given."""
    return or_(_t(name).is_(None), column == _t(name))


def _add(table: Table, *names: str) -> Executable:
    return insert(table).values({name: bindparam(name, type_=table.c[name].type) for name in names or table.c.keys()})


def _put(table: Table, *names: str) -> Executable:
    """Store a row, in place of the one with the same key."""
    keys, made = [column.name for column in table.primary_key], _add(table, *names)
    others = {name: made.excluded[name] for name in names or table.c.keys() if name not in keys}  # type: ignore[attr-defined]
    return made.on_conflict_do_update(index_elements=keys, set_=others)  # type: ignore[attr-defined, no-any-return]


def _keep(table: Table, key: str, *names: str) -> Executable:
    """Store a row, unless there is one with the same key."""
    return _add(table, *names).on_conflict_do_nothing(index_elements=[key])  # type: ignore[attr-defined, no-any-return]


def _number(key: Whole) -> Whole:
    return key.op("&")(PROBE_MASK)


def _second(key: Whole) -> Whole:
    return key.op(">>")(PROBE_BITS)


def _within(key: Whole, first: str = "first", end: str = "end") -> ColumnElement[bool]:
    return and_(key >= _n(first), key < _n(end))


# -- probes
PROBES = select(probe.c.id, probe.c.name, probe.c.scale).order_by(probe.c.id)
PROBE_COUNT = select(func.count()).select_from(probe)
PROBE_NUMBER = select(probe.c.id).where(probe.c.name == _t("name"))
ADD_PROBE = _add(probe)
RESCALE = update(probe).values(scale=_t("spelled")).where(probe.c.id == _n("id"))

# -- readings that are plain rows; what every poll stores is in `rows`, by the driver
FIRST_KEY = select(func.min(reading.c.key))
LAST_KEY = select(func.max(reading.c.key))
READINGS = select(reading).where(_within(reading.c.key)).order_by(reading.c.key)
READINGS_OF = select(reading).where(_within(reading.c.key), _number(reading.c.key) == _n("number"))
READINGS_OF_FEW = select(reading).where(_within(reading.c.key), _number(reading.c.key).between(_n("low"), _n("high")))
NUMBERS = select(_number(reading.c.key)).distinct().where(_within(reading.c.key))
READING_AT = select(reading.c.key).where(reading.c.key == _n("key"))
NEXT_READING = select(func.min(reading.c.key)).where(reading.c.key >= _n("first"))
DELETE_READINGS = delete(reading).where(_within(reading.c.key))
NEWEST = select(reading).where(
    reading.c.key.in_(
        select(func.max(reading.c.key))
        .where(reading.c.key >= _n("first"), reading.c.key <= _n("newest"))
        .group_by(_number(reading.c.key))
    )
)
# Of those that came after the largest key of all, the last of each probe.
NEWEST_LATE = select(reading).where(
    reading.c.key.in_(
        select(late.c.key).where(
            late.c.seq.in_(
                select(func.max(late.c.seq)).where(late.c.after_key == _n("newest")).group_by(_number(late.c.key))
            )
        )
    )
)

# -- readings that came out of order
ADD_LATE = _add(late, "key", "after_key", "flag", "tests")
LATE = select(late.c.key, late.c.flag, late.c.tests).where(_within(late.c.key))
LATE_KEYS = select(late.c.key).where(_within(late.c.key))
LATE_AFTER = (
    select(late.c.after_key, late.c.seq, late.c.key)
    .where(_within(late.c.after_key))
    .order_by(late.c.after_key, late.c.seq)
)
NEXT_LATE = select(func.min(late.c.after_key)).where(late.c.after_key >= _n("first"))
PLACE_OF_LATE = select(late.c.after_key, late.c.seq).where(late.c.key == _n("key"))
LAST_LATE = select(late.c.key, late.c.after_key).order_by(late.c.seq.desc()).limit(1)

# -- what is said of readings
PUT_VERDICT = _put(verdict)
LENGTHEN_VERDICT = update(verdict).values(stop=_n("until")).where(verdict.c.key == _n("key"))
DELETE_VERDICT = delete(verdict).where(verdict.c.key == _n("key"))
VERDICTS = select(verdict).where(_within(verdict.c.key), verdict.c.stop >= _n("start")).order_by(verdict.c.key)
VERDICTS_OVER = select(verdict).where(
    verdict.c.key >= _n("first"), verdict.c.key <= _n("last"), verdict.c.stop >= _n("start"),
    _number(verdict.c.key) == _n("number"),
)  # fmt: skip
PUT_EXCLUSION = _put(exclusion)
EXCLUSIONS = select(exclusion).where(exclusion.c.start < _n("end"), exclusion.c.stop >= _n("start"))
EXCLUSIONS_OVER = select(exclusion).where(
    exclusion.c.probe_id == _n("probe_id"), exclusion.c.start <= _n("last"), exclusion.c.stop >= _n("first")
)
EXCLUSIONS_FROM = select(exclusion).where(exclusion.c.start >= _n("since"))
DELETE_EXCLUSION = delete(exclusion).where(
    exclusion.c.probe_id == _n("probe_id"), exclusion.c.start == _n("start"), exclusion.c.stop == _n("stop")
)
# What is suspect, wherever that stands, newest first: key, last second, tests.
SUSPECTS = (
    union_all(
        select(verdict.c.key, verdict.c.stop, verdict.c.tests).where(verdict.c.flag == SUSPECT, verdict.c.key <= _n("last")),
        select(late.c.key, _second(late.c.key), late.c.tests).where(late.c.flag == SUSPECT, late.c.key <= _n("last")),
        select(exclusion.c.start.op("<<")(PROBE_BITS).op("|")(exclusion.c.probe_id), exclusion.c.stop, exclusion.c.tests)
        .where(exclusion.c.flag == SUSPECT, exclusion.c.start <= _second(_n("last"))),
    )
    .order_by(desc("key"))
    .limit(_n("most"))
)  # fmt: skip

# -- the archive. A minimum and a maximum each have the end of a table looked up; together they would read all of it.
CHUNK_ENDS = select(
    select(func.min(chunk.c.key)).scalar_subquery().label("oldest"),
    select(func.max(chunk.c.key)).scalar_subquery().label("newest"),
)
CHUNKS = select(chunk).where(chunk.c.key.in_(_numbers_of("keys"))).order_by(chunk.c.key)
CHUNK = select(chunk).where(chunk.c.key == _n("key"))
CHUNK_KEYS = select(chunk.c.key).where(_within(chunk.c.key)).order_by(chunk.c.key)
CHUNK_KEYS_AMONG = select(chunk.c.key).where(chunk.c.key.in_(_numbers_of("keys")))
CHUNK_KEYS_OF = select(chunk.c.key).where(_number(chunk.c.key) == _n("number"))
NEXT_CHUNK = select(func.min(chunk.c.key)).where(chunk.c.key >= _n("first"))
BLOCKS = select(_second(chunk.c.key)).distinct().where(_within(chunk.c.key)).order_by(_second(chunk.c.key))
PUT_CHUNK = _put(chunk)
DELETE_CHUNK = delete(chunk).where(chunk.c.key == _n("key"))
_ASIDE = insert(damaged).from_select(["key", "n", "data"], CHUNK)
SET_ASIDE = _ASIDE.on_conflict_do_update(
    index_elements=["key"], set_={"n": _ASIDE.excluded.n, "data": _ASIDE.excluded.data}
)
DAMAGED_KEYS = select(damaged.c.key)
DELETE_DAMAGED = delete(damaged).where(damaged.c.key == _n("key"))


def _named(table: Table) -> Select[Any]:
    named = table.outerjoin(probe, probe.c.id == _number(table.c.key))
    return select(table.c.key, table.c.n, probe.c.name).select_from(named)


DAMAGED = _named(damaged)
UNREADABLE = _named(chunk).where(chunk.c.key.in_(_numbers_of("keys")))

# -- quarter hours
COVERED = select(covered.c.rolled, covered.c.until)
COVER = update(covered).values(until=_n("quarter"))
ROLL = update(covered).values(rolled=_n("quarter"))
UNCOVER = update(covered).values(
    until=_Least(covered.c.until, _n("quarter")), rolled=_Least(covered.c.rolled, _n("quarter"))
)
_TABLES = ((RECENT, recent), (ROLLUP, rollup))
PUT_QUARTER = {layout.table: _put(table) for layout, table in _TABLES}
KEEP_QUARTER = {layout.table: _keep(table, "key") for layout, table in _TABLES}


def _quarter(layout: Layout, table: Table) -> Whole:
    """Return the quarter (seconds over 900) of a row."""
    stretch, rest = table.c.key.op(">>")(PROBE_BITS + layout.bits), table.c.key.op("&")((1 << layout.bits) - 1)
    return stretch * layout.quarters + rest if layout.quarters > 1 else stretch


def _of_one_or_all() -> ColumnElement[bool]:
    """Return whether a probe is the one whose number is given, or none is given."""
    return or_(_n("number").is_(None), probe.c.id == _n("number"))


def _of_span(layout: Layout, table: Table, *columns: Whole) -> Select[Any]:
    """Ask for rows of the quarters from `first` to before `last`, by probe and in order of time: of each a stretch at a time."""
    # Where the table begins is a page that nothing else needs: looked up only where the span may be open-ended.
    oldest = select(func.min(table.c.key).op(">>")(PROBE_BITS + layout.bits) * layout.quarters).scalar_subquery()
    begin = case((_n("last") - _n("first") < LONG_QUARTERS, _n("first")), else_=_Greatest(_n("first"), oldest))
    span: Subquery = select(begin.label("first"), _n("last").label("last")).subquery("span")
    first = select((span.c.first // layout.quarters).label("s"), span.c.first, span.c.last)
    stretch = first.where(span.c.first < span.c.last).cte("stretch", recursive=True)
    s = stretch.c.s + 1
    following = select(s, stretch.c.first, stretch.c.last).where(s * layout.quarters < stretch.c.last)
    stretch = stretch.union_all(following)
    start, size = stretch.c.s * layout.quarters, layout.quarters
    base = stretch.c.s.op("<<")(PROBE_BITS).op("|")(probe.c.id).op("<<")(layout.bits)
    among = and_(
        table.c.key >= base + _Greatest(stretch.c.first - start, 0),
        table.c.key < base + _Least(stretch.c.last - start, size),
    )
    joined: FromClause = probe.join(stretch, true()).join(table, among)
    return select(*columns).select_from(joined)


def _h_low(table: Table) -> Whole:
    """Return the lowest humidity of a row, NULL where none was believed."""
    return case((table.c.n > 0, table.c.h_min))


def _h_high(table: Table) -> Whole:
    """Return the highest humidity of a row, NULL where none was believed."""
    return case((table.c.n > 0, table.c.h_min + table.c.h_range))


def _t_only_n(table: Table) -> Whole:
    """Return how many readings of a row are believed for their temperature alone."""
    return table.c.t_only.op(">>")(12)


_Of = Callable[..., Select[Any]]


def _of_few(layout: Layout, table: Table, *columns: Whole) -> Select[Any]:
    """Ask for the same where the table holds the quarters asked for and few besides: without looking each stretch up."""
    number = table.c.key.op(">>")(layout.bits).op("&")(PROBE_MASK)
    quarter = _quarter(layout, table)
    joined: FromClause = table.join(probe, probe.c.id == number)
    return select(*columns).select_from(joined).where(quarter >= _n("first"), quarter < _n("last"))


def _sums(layout: Layout, table: Table, of: _Of = _of_span) -> Select[Any]:
    """Add rows up by probe: value, moment and company in one integer, so that one aggregate finds an extreme with all of it."""
    c, start = table.c, _quarter(layout, table) * QUARTER_SECONDS
    t_high, n_t = c.t_min + c.t_range, c.n + _t_only_n(table)

    def part(column: Whole, bits: int) -> Whole:
        return column.op(">>")(bits).op("&")(4095)

    return of(
        layout, table, probe.c.id, func.sum(c.n), func.sum(c.watched), func.sum(n_t * c.t_min + c.t_over), func.sum(c.n * c.h_min + c.h_over),
        # From the lowest bit: 16 of a temperature word, 31 of a second, 16 of a humidity word; 63 are never negative.
        func.min(_h_low(table).op("<<")(47).op("|")((start + c.h_at.op("&")(1023)).op("<<")(16)).op("|")(c.t_min + c.t_driest)),
        func.max(_h_high(table).op("<<")(31).op("|")(LAST_SECOND - (start + c.h_at.op(">>")(10)))),
        func.min(c.t_min.op("<<")(31).op("|")(start + c.t_at.op("&")(1023))),
        func.max(t_high.op("<<")(31).op("|")(LAST_SECOND - (start + c.t_at.op(">>")(10)))),
        func.sum(c.humid.op("&")(4095)), func.sum(part(c.humid, 12)), func.sum(part(c.humid, 24)), func.sum(c.humid.op(">>")(36)),
        func.sum(c.heat.op("&")(4095)), func.sum(c.heat.op(">>")(12)), func.sum(c.dose),
        func.sum(c.t_only.op("&")(4095)), func.sum(_t_only_n(table)),
    ).where(_of_one_or_all()).group_by(probe.c.id)  # fmt: skip


def _slices(layout: Layout, table: Table, of: _Of = _of_span) -> Select[Any]:
    c, quarter, n, alone = table.c, _quarter(layout, table), func.sum(table.c.n), _t_only_n(table)
    t_low, h_low = func.min(c.t_min), func.min(_h_low(table))
    slice_ = (quarter * QUARTER_SECONDS - _n("start")) // _n("seconds")
    humid = c.humid.op(">>")(24).op("&")(4095) + c.humid.op(">>")(36)
    heat = c.heat.op("&")(4095) + c.heat.op(">>")(12)
    return of(
        layout, table, probe.c.id, func.min(quarter), n, t_low, func.max(c.t_min + c.t_range) - t_low,
        func.sum((c.n + alone) * c.t_min + c.t_over) - (n + func.sum(alone)) * t_low,
        h_low, func.max(_h_high(table)) - h_low, func.sum(c.n * c.h_min + c.h_over) - n * h_low, func.sum(c.watched), func.sum(alone),
        func.sum(_Greatest(humid, heat)),
    ).where(_of_one_or_all()).group_by(probe.c.id, slice_)  # fmt: skip


def _delete_quarters(layout: Layout, table: Table) -> Executable:
    # Of blocks that cannot be read they stay: nothing could be put in their place.
    block = (_quarter(layout, table) // (BLOCK_SECONDS // QUARTER_SECONDS)).op("<<")(PROBE_BITS).op("|")(probe.c.id)
    gone = _of_span(layout, table, table.c.key).where(
        probe.c.id.in_(_numbers_of("numbers")), block.not_in(_numbers_of("unreadable"))
    )
    return delete(table).where(table.c.key.in_(gone))


def _uncover(layout: Layout, table: Table) -> Executable:
    return delete(table).where(table.c.key >= _n("key"), _quarter(layout, table) >= _n("quarter"))


SUMS = {layout.table: _sums(layout, table) for layout, table in _TABLES}
SLICES = {layout.table: _slices(layout, table) for layout, table in _TABLES}
DELETE_QUARTERS = {layout.table: _delete_quarters(layout, table) for layout, table in _TABLES}
UNCOVER_QUARTERS = {layout.table: _uncover(layout, table) for layout, table in _TABLES}

# -- everything else of the stream
NEWEST_ITEM = select(func.coalesce(func.max(item.c.seq), 0))
LOWEST_ITEM = select(_Least(func.coalesce(func.min(item.c.seq), 0), 0))
ADD_ITEM = _add(item)
ITEM = select(item.c.data).where(item.c.seq == _n("seq"))
ITEMS_AFTER = select(
    item.c.seq, item.c.after_key, item.c.time, item.c.kind, late.c.after_key.label("anchor"), late.c.seq.label("late")
).select_from(item.outerjoin(late, late.c.key == item.c.after_key)).where(item.c.seq > _n("seq"))  # fmt: skip
LASTING = select(item.c.kind, item.c.data).where(_LASTS, item.c.seq > _n("seq")).order_by(item.c.seq)
MARK_LASTING = update(item).values(lasts=1).where(
    item.c.lasts == 0,
    or_(
        and_(item.c.kind == "Command", item.c.word.in_(_words_of("verbs"))),
        and_(item.c.kind == "JournalEntry", item.c.word.in_(_words_of("stages"))),
    ),
)  # fmt: skip
CALIBRATIONS = select(item.c.kind, item.c.data).where(item.c.kind == "Calibration").order_by(item.c.time, item.c.seq)
ENTRIES = select(item.c.kind, item.c.data).where(item.c.kind == "JournalEntry")
JOURNAL = (
    select(item.c.kind, item.c.data)
    .where(
        item.c.kind == "JournalEntry",
        item.c.time >= _n("since"),
        or_(_t("words").is_(None), item.c.word.in_(_words_of("words"))),
        _or_all(item.c.enclosure, "enclosure"),
    )
    .order_by(item.c.time, item.c.seq)
)
LEARNED = select(item.c.kind, item.c.data).where(
    item.c.seq.in_(
        select(func.max(item.c.seq))
        .where(item.c.kind == "Learned", item.c.time > _n("at") - LONGEST_FACT_SECONDS, item.c.time <= _n("at"))
        .group_by(item.c.enclosure)
    )
)

# -- events and alarms
ADD_EVENT = _keep(event, "id", "id", "alarm", "time", "enclosure", "data")
EVENTS = (
    select(event.c.data)
    .where(event.c.time >= _n("since"), event.c.time < _n("until"), _or_all(event.c.enclosure, "enclosure"))
    .order_by(event.c.seq)
)
EVENTS_EVER = select(event.c.data).order_by(event.c.seq)
PUT_ALARM = _put(alarm)
ALARM = select(alarm.c.data).where(alarm.c.alarm == _t("alarm"))
ALARMS = select(alarm.c.alarm)
STANDING = select(alarm.c.data).where(_NOT_NORMAL).order_by(alarm.c.raised)

# -- messages
ADD_MESSAGE = _keep(message, "id", *(name for name in message.c.keys() if name != "seq"))  # noqa: SIM118  a collection of columns
DELIVER = (
    update(message)
    .values(
        state=_t("became"), attempts=_Greatest(message.c.attempts, _n("tries")), next_try=_n("next"), last_error=_t("error"),
        sent=_n("at"),
    )
    .where(message.c.id == _t("id"), _PENDING)
)  # fmt: skip
_MESSAGE = [message.c[name] for name in ("id", "data", "state", "attempts", "next_try", "last_error", "sent")]
MESSAGES = select(*_MESSAGE).where(message.c.created >= _n("since")).order_by(message.c.seq)


def _due() -> Select[Any]:
    """Of each way to a person the first so many, urgent ones before others. No quiet hours last as long as `late`."""
    late_end = message.c.not_before > _n("now") + LONGEST_QUIET_SECONDS
    place = func.row_number().over(
        partition_by=(message.c.channel, message.c.person), order_by=(message.c.priority != "urgent", message.c.seq)
    )
    ranked = (
        select(message.c.seq, place.label("place"))
        .where(
            _PENDING,
            message.c.next_try <= _n("elapsed"),
            or_(message.c.not_before <= _n("now"), late_end),
            or_(_t("channels").is_(None), message.c.channel.in_(_words_of("channels"))),
        )
        .subquery("ranked")
    )
    first = select(ranked.c.seq).where(ranked.c.place <= MOST_DUE)
    return select(*_MESSAGE).where(message.c.seq.in_(first)).order_by(message.c.seq)


def _seconds_to_due() -> Select[Any]:
    quiet = case((message.c.not_before > _n("now") + LONGEST_QUIET_SECONDS, 0), else_=message.c.not_before - _n("now"))
    wait = select(_Greatest(message.c.next_try - _n("elapsed"), quiet).label("wait")).where(_PENDING).subquery("waits")
    return select(func.min(wait.c.wait)).where(wait.c.wait > 0)


MESSAGES_DUE = _due()
SECONDS_TO_DUE = _seconds_to_due()
# Put in order by a sum, so that the index of what is pending is read, not every message there ever was.
WAITING = select(message.c.person, message.c.channel, message.c.last_error).where(_PENDING).order_by(message.c.seq + 0)

# -- small named facts, and the judge's memory
NOTE = select(note.c.value).where(note.c.name == _t("name"))
NOTES = select(note)
NOTES_WITHOUT_FIGURES = select(note).where(or_(note.c.name < FIGURES, note.c.name >= _LATER_FIGURES))
NOTES_WITHIN = select(note).where(note.c.name >= _t("first"), note.c.name < _t("end"))
PUT_NOTE = _put(note)
DELETE_NOTE = delete(note).where(note.c.name == _t("name"))
SNAPSHOTS = select(snapshot.c.id, snapshot.c.time, snapshot.c.data).order_by(snapshot.c.id.desc())
SNAPSHOT_PLACE = select(snapshot.c.after_key, snapshot.c.after_item).where(snapshot.c.id == _n("id"))
OLDEST_PLACE = select(func.min(snapshot.c.after_key))
DELETE_OLD_SNAPSHOTS = delete(snapshot).where(snapshot.c.id.not_in(select(func.max(snapshot.c.id))))
ADD_SNAPSHOT = _add(snapshot, "time", "after_key", "after_item", "data")

# -- dating anew what was stamped on a clock that was wrong. By way of negative keys: one may be taken until its holder moved.
_DATED = (verdict, late)
LIFT = {t.name: update(t).values(key=-(t.c.key + _n("shift"))).where(t.c.key >= _n("first")) for t in _DATED}
LIFTED = {t.name: select(-t.c.key).where(t.c.key < 0).order_by(t.c.key.desc()) for t in _DATED}
TAKEN = {t.name: select(t.c.key).where(t.c.key == _n("key")) for t in _DATED}
LAND = {t.name: update(t).values(key=_n("free")).where(t.c.key == _n("lifted")) for t in _DATED}
MOVE_ENDS = update(verdict).values(stop=verdict.c.stop + _n("step")).where(verdict.c.stop >= _n("since"))
MOVE_PLACES = {
    t.name: update(t).values(after_key=t.c.after_key + _n("shift")).where(t.c.after_key >= _n("first"))
    for t in (late, item, snapshot)
}
NEAR_PLACES = {
    t.name: update(t).values(after_key=_n("near")).where(t.c.after_key >= _n("first")) for t in (late, item, snapshot)
}
DELETE_EXCLUSIONS_FROM = delete(exclusion).where(exclusion.c.start >= _n("since"))
ITEMS_FROM = (
    select(item.c.seq, item.c.kind, item.c.data)
    .where(
        item.c.seq > 0,
        item.c.seq >= select(func.min(item.c.seq)).where(item.c.time >= _n("since"), item.c.seq > 0).scalar_subquery(),
    )
    .order_by(item.c.seq)
)
DATE_ITEM = (
    update(item)
    .values(time=_n("at"), data=_t("text"), after_key=_Greatest(item.c.after_key, _n("place")))
    .where(item.c.seq == _n("seq"))
)
EVENTS_FROM = select(event.c.seq, event.c.data).where(event.c.time >= _n("since"))
DATE_EVENT = update(event).values(time=_n("at"), data=_t("text")).where(event.c.seq == _n("seq"))
ALARMS_FROM = select(alarm.c.alarm, alarm.c.data).where(alarm.c.raised >= _n("since"))
DATE_ALARM = update(alarm).values(raised=_n("at"), data=_t("text")).where(alarm.c.alarm == _t("name"))

# -- for who keeps a copy elsewhere
_RECORD = (item.c.seq, item.c.time, item.c.kind, item.c.data)
_EVENT = (event.c.seq, event.c.time, event.c.id, literal("event", Text).label("kind"), event.c.data)
_ALARM = (literal(0, BigInteger).label("seq"), alarm.c.raised, alarm.c.alarm, alarm.c.state, alarm.c.data)
# `item` is indexed by kind, then time.
NEXT_RECORD = union_all(
    *(select(func.min(item.c.time)).where(item.c.kind == kind, item.c.time >= _n("at")) for kind in sorted(KINDS)),
    select(func.min(event.c.time)).where(event.c.time >= _n("at")),
    select(func.min(alarm.c.raised)).where(alarm.c.raised >= _n("at")),
)
ITEMS_BELOW = select(*_RECORD).where(item.c.seq < _n("low")).order_by(item.c.seq.desc()).limit(_n("most"))
ITEMS_ABOVE = select(*_RECORD).where(item.c.seq > _n("high")).order_by(item.c.seq).limit(_n("most"))
ITEMS_BETWEEN = select(*_RECORD).where(item.c.kind.in_(sorted(KINDS)), _within(item.c.time)).order_by(item.c.seq)
EVENTS_ABOVE = select(*_EVENT).where(event.c.seq > _n("high")).order_by(event.c.seq).limit(_n("most"))
EVENTS_BETWEEN = select(*_EVENT).where(_within(event.c.time)).order_by(event.c.seq)
ALARMS_OF = select(*_ALARM).where(alarm.c.alarm.in_(_words_of("names"))).order_by(alarm.c.alarm)
ALARMS_BETWEEN = select(*_ALARM).where(_within(alarm.c.raised)).order_by(alarm.c.alarm)
CHUNK_NUMBERS = select(_number(chunk.c.key)).where(chunk.c.key >= _n("first"))


def every() -> dict[str, Executable | dict[str, Executable]]:
    """Return all of them by name, in the order in which they stand."""
    return {name: value for name, value in globals().items() if name.isupper() and name[0] != "_" and _asked(value)}


_SERVED = (
    "PROBES", "PROBE_COUNT", "PROBE_NUMBER", "READINGS", "READINGS_OF", "VERDICTS", "COVERED", "NEWEST_ITEM", "LASTING",
    "CALIBRATIONS", "JOURNAL", "LEARNED", "EVENTS", "STANDING", "NOTES_WITHOUT_FIGURES", "NOTES_WITHIN",
)  # fmt: skip


def elsewhere() -> dict[str, Executable | dict[str, Executable]]:
    """Return what `collect` asks a server; what comes of quarter hours, of those that it makes for the question."""
    asked = every()
    return {
        **{name: asked[name] for name in _SERVED},
        "SUMS": _sums(RECENT, recent, _of_few),
        "SLICES": _slices(RECENT, recent, _of_few),
    }


def _asked(value: object) -> bool:
    return isinstance(value, Executable) or (
        isinstance(value, dict) and all(isinstance(one, Executable) for one in value.values())
    )
