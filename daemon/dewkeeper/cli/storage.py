"""`dewkeeper backup`, `restore`, `export`, `import`: the history leaves and comes back."""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dewkeeper.cli.output import DONE, NOT_WELL, complain, emit, emit_json, say
from dewkeeper.errors import CommandRefused

if TYPE_CHECKING:
    from dewkeeper.store.backup import Content
    from dewkeeper.store.importing import Result
    from dewkeeper_config.models import Config

_MOST_NAMED = 20
"""So many names, or rows, are said one by one."""


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the commands of this topic."""
    backup = commands.add_parser("backup", help="copy the database now, verify and rotate; the daemon may run")
    backup.add_argument("--drill", action="store_true", help="only prove that the newest copy opens and counts")
    backup.set_defaults(run=_backup)

    restore = commands.add_parser("restore", help="bring a copy back; shows what it would do unless --yes is given")
    restore.add_argument("copy", type=Path, nargs="?", help="the copy (default: the newest good one)")
    restore.add_argument("--yes", action="store_true", help="do it")
    restore.add_argument("--replace", action="store_true", help="set an existing database aside")
    restore.set_defaults(run=_restore)

    repair = commands.add_parser(
        "repair", help="bring parts of the archive that cannot be read back from the newest copy that has them",
        description="Reads the whole archive. The daemon may run. What no copy has stays named, and everything else is used.",
    )  # fmt: skip
    repair.set_defaults(run=_repair)

    export = commands.add_parser("export", help="readings as CSV, with raw words and verdicts in a file beside it")
    export.add_argument(
        "file", type=Path, help="the CSV to write; FILE.words.jsonl, FILE.journal.csv and FILE.animals.csv go beside it"
    )
    export.set_defaults(run=_export)

    imports = commands.add_parser("import", help="take in a CSV of readings; may be repeated and interrupted")
    imports.add_argument("file", type=Path, nargs="?", help="CSV with time,probe,temperature_c,humidity_pct")
    imports.add_argument("--journal", type=Path, help="CSV with time,enclosure,what and optional detail")
    imports.add_argument(
        "--animals",
        type=Path,
        help="CSV with animal,enclosure,moved_in,moved_out,hatched,sex,notes; a journal has them too",
    )
    imports.set_defaults(run=_import)


def _backup(args: argparse.Namespace) -> int:
    from dewkeeper.store.backup import back_up, backups, look_into

    config = args.load_config()
    settings = config.storage.backup
    if args.drill:
        copies = backups(settings.folder) if settings.folder is not None else []
        if not copies:
            complain(_none_in(settings.folder, "backup"))
            return NOT_WELL
        copy = copies[-1]
    else:
        copy = back_up(config.storage.folder, settings, int(time.time()))
    _show(args, [look_into(copy)])
    return DONE


def _restore(args: argparse.Namespace) -> int:
    from dewkeeper.store.backup import look_into, newest_good, restore
    from dewkeeper.store.database import FILE_NAME
    from dewkeeper.store.errors import BackupFailed
    from dewkeeper.store.lock import WriterLock

    config = args.load_config()
    folder = config.storage.folder
    found = look_into(args.copy) if args.copy is not None else newest_good(config.storage.backup.folder)
    if found is None:
        complain(_none_in(config.storage.backup.folder, "good backup"))
        return NOT_WELL
    held = []
    there = (folder / FILE_NAME).exists()
    if there:
        try:
            # What is damaged may still be replaced: that is what a restore is for.
            held.append(look_into(folder / FILE_NAME))
        except BackupFailed as error:
            complain(f"what is there now: {error}")
    told = args.format == "table"
    if told:
        _show(args, [found, *held])
    aside = None
    if args.yes:
        folder.mkdir(parents=True, exist_ok=True)
        # A running daemon holds it, so that no database is changed under its feet.
        with WriterLock(folder, "a restore"):
            aside = restore(found.path, folder, int(time.time()), replace=args.replace)
        if told:
            say(f"restored{f'; the old database is {aside}' if aside else ''}")
    elif told:
        what = f"{found.path} becomes {folder / FILE_NAME}"
        what += "; what is there now is renamed, not deleted (add --replace)" if there else ""
        say(f"Nothing was changed. With --yes, {what}.")
    if not told:
        there_now = copy_facts(held[0]) if held else None
        emit_json({"copy": copy_facts(found), "there": there_now, "restored": args.yes, "set_aside": aside})
    return DONE


def _none_in(folder: Path | None, what: str) -> str:
    if folder is None:
        return "no backup folder is configured: [storage.backup] folder = ..."
    return f"there is no {what} in {folder}"


def _export(args: argparse.Namespace) -> int:
    from dewkeeper.report.animals import WHO_WORDS, animals
    from dewkeeper.report.animals_file import write_animals
    from dewkeeper.report.past import StoredPast
    from dewkeeper.store.export import export

    config = args.load_config()
    counts = export(config.storage.folder, args.file)
    with StoredPast.open(config) as past:
        known = animals(past.journal(0, words=WHO_WORDS))
    with args.file.with_name(args.file.name + ".animals.csv").open("w", encoding="utf-8", newline="") as file:
        write_animals(known, file)
    emit(args, [counts], {"readings": "readings", "failed": "failed polls", "journal": "journal entries"})
    for block in counts["missing"]:
        complain(f"not in it, for it cannot be read: {block}. `dewkeeper repair` looks for it in the copies")
    return NOT_WELL if counts["missing"] else DONE


def _repair(args: argparse.Namespace) -> int:
    """Look for what cannot be read, and have it brought back: by the daemon, or here while none runs."""
    from dewkeeper.clock import SystemClock
    from dewkeeper.errors import DaemonDown
    from dewkeeper.service.client import request
    from dewkeeper.service.repairing import described
    from dewkeeper.store import Store
    from dewkeeper.store.backup import backups
    from dewkeeper.store.repair import unreadable

    config = args.load_config()
    folder, copies = config.storage.folder, config.storage.backup.folder
    keys = unreadable(folder)
    try:
        # Only the writer writes. It looks for each block in every copy, over a slow stick: minutes.
        rows = request(folder, {"do": "repair", "keys": keys}, timeout_seconds=300)["blocks"]
    except DaemonDown:
        store = Store.open(folder, config.storage, SystemClock(), "a repair")
        try:
            rows = described(store.repair(keys, backups(copies) if copies is not None else []))
        finally:
            store.close()
    if not rows and args.format != "json":
        say("nothing is damaged: every block of the archive can be read")
        return DONE
    emit(
        args,
        rows,
        {"probe": "probe", "from": "from", "to": "to", "readings": "readings", "became": "what became of it"},
    )
    return DONE if all(row["source"] for row in rows) else NOT_WELL


def _import(args: argparse.Namespace) -> int:
    from dewkeeper.clock import SystemClock
    from dewkeeper.report.animals_file import animals_journal
    from dewkeeper.service.settings import judge_settings
    from dewkeeper.store.importing import Result, import_journal, import_readings, store_rows
    from dewkeeper.store.in_force import IMPORTED
    from dewkeeper.store.records import Batch
    from dewkeeper.store.store import Store

    if args.file is None and args.journal is None and args.animals is None:
        raise CommandRefused("name a readings file, a --journal file, an --animals file, or several of them")
    config = args.load_config()
    folder = config.storage.folder
    folder.mkdir(parents=True, exist_ok=True)
    store = Store.open(folder, config.storage, SystemClock(), "an import")  # creates or migrates
    if store.snapshot() is None:  # no daemon yet: quarter hours are measured by the limits of the configuration
        store.commit(Batch(items=(judge_settings(config, int(time.time()), IMPORTED),)))
    store.close()
    results = {}
    if args.file is not None:
        results[args.file] = import_readings(folder, args.file, _bar if sys.stderr.isatty() else lambda _: None)
    if args.journal is not None:
        results[args.journal] = import_journal(folder, args.journal)
    if args.animals is not None:
        result = Result()
        results[args.animals] = store_rows(folder, animals_journal(args.animals, result.refuse), result)
    rows: list[dict[str, object]] = [
        {
            "file": str(path), "stored": result.stored, "known": result.known, "refused": sum(result.refused.values()), "unlike": result.unlike,
            "reasons": {why: [n, result.first_line[why]] for why, n in sorted(result.refused.items())},
        }
        for path, result in results.items()
    ]  # fmt: skip
    emit(args, rows, {"file": "file", "stored": "stored", "known": "already there", "refused": "refused"})
    for path, result in results.items():
        if result.unlike:
            complain(
                f"{path}: the words file beside it does not say what {result.unlike} of its rows say"
                f" (first at line {result.first_unlike}): those are stored as the CSV has them"
            )
        for line in _about_stored(result, config):
            complain(f"{path}: {line}")
        for why, count in sorted(result.refused.items()):
            complain(f"{path}: {count} refused: {why} (first at line {result.first_line[why]})")
    return NOT_WELL if any(result.refused for result in results.values()) else DONE


def _about_stored(result: Result, config: Config) -> Iterator[str]:
    """Yield what to know of rows that were stored all the same."""
    from dewkeeper.report.weights import grams_of

    places = Counter(row.enclosure for row in result.entries if row.enclosure is not None)
    for what, found, known in (
        ("probe", result.probes, {probe.name for probe in config.probe}),
        ("enclosure", places, {enclosure.name for enclosure in config.enclosure}),
    ):
        strangers = [
            f"{name!r} ({count} row{'s' if count > 1 else ''})"
            for name, count in sorted(found.items())
            if name not in known
        ]
        if strangers:
            yield f"stored, though the configuration has no {what} of that name: {_some(strangers)}"
    weightless = [
        f"line {row.line} ({row.detail!r:.60})"
        for row in result.entries
        if row.what == "weighed" and grams_of(row.detail) is None
    ]
    if weightless:
        yield f"stored, but no weight like `1450`, `1450 g` or `1.45 kg` is in {_some(weightless)}"


def _some(words: Sequence[str]) -> str:
    more = len(words) - _MOST_NAMED
    return ", ".join(words[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _bar(share: float) -> None:
    """Draw how far it is, over the line before."""
    full = round(30 * share)
    print(
        f"\r[{'#' * full}{'.' * (30 - full)}] {100 * share:3.0f} %",
        end="\n" if share >= 1 else "",
        file=sys.stderr,
        flush=True,
    )


def copy_facts(content: Content) -> dict[str, object]:
    """Return what a database holds, as a program reads it."""
    from dewkeeper.interchange import format_time

    return {
        "file": str(content.path),
        "readings": content.readings,
        "first": None if content.first is None else format_time(content.first),
        "last": None if content.last is None else format_time(content.last),
        "journal": content.journal,
        "events": content.events,
    }


def _show(args: argparse.Namespace, contents: list[Content]) -> None:
    rows = [copy_facts(content) for content in contents]
    if args.format == "table":
        rows = [
            row | {"first": _when(content.first), "last": _when(content.last)}
            for row, content in zip(rows, contents, strict=True)
        ]
    columns = {
        "file": "file", "readings": "readings", "first": "from", "last": "to", "journal": "journal", "events": "events"
    }  # fmt: skip
    emit(args, rows, columns)


def _when(second: int | None) -> str:
    from zoneinfo import ZoneInfo

    from dewkeeper.report.wording import Wording

    return "" if second is None else f"{Wording(ZoneInfo('UTC')).stamp(second)} UTC"
