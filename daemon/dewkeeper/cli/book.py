"""The keeper's book at the terminal: `round`, `sheds`, `vet-sheet` and `eggs`. They only read."""

from __future__ import annotations

import argparse

from dewkeeper.cli.output import DONE, NOT_WELL, Arguments, complain, emit_json, say


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `round`, `sheds`, `vet-sheet` and `eggs`."""
    due = commands.add_parser(
        "round",
        help="what is due today and why, in the order of service; a sheet to print",
        description="`dewkeeper journal add B4 refilled` does a thing; `dewkeeper journal add B4 not_today bowl "
        "--until 2026-03-04` puts it off, by its key: bowl, spot-clean, deep-clean, eyes ... (`--format json` has them).",
    )
    due.set_defaults(run=_round, reads=True)

    sheds = commands.add_parser(
        "sheds", help="sheds, their grades and the air before them, and whether dry air goes with bad ones here"
    )
    sheds.add_argument("name", nargs="?", help="name of an animal (default: all)")
    sheds.set_defaults(run=_sheds, reads=True)

    vet = commands.add_parser("vet-sheet", help="one page about an animal for an exotics vet; no diagnosis")
    vet.add_argument("name", help="name of the animal, or of the enclosure of one that was never named")
    vet.set_defaults(run=_vet_sheet, reads=True)

    eggs = commands.add_parser(
        "eggs", help="clutches: masses, water lost beside the box's air, and when to expect hatching"
    )
    eggs.set_defaults(run=_eggs, reads=True)


def _round(args: Arguments) -> int:
    from dewkeeper.notify.round_message import round_now
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.round_words import sheet_lines

    config = args.load_config()
    with StoredPast.open(config) as past:
        made = round_now(past, config, args.now())
    if args.format == "json":
        emit_json(made.to_json())
        return DONE
    for line in sheet_lines(made):
        say(line)
    return DONE


def _sheds(args: Arguments) -> int:
    from dewkeeper.report.animals import animals
    from dewkeeper.report.model import to_plain
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.shed_air import animal_sheds, questions
    from dewkeeper.report.shed_words import shed_lines
    from dewkeeper.report.wording import Wording

    config = args.load_config()
    with StoredPast.open(config) as past:
        known = animals(past.journal(0), nameless=True)
        sheds = animal_sheds(past, known)
    # Of all animals, also where one is named: hardly any has sheds enough for an answer of its own.
    asked = questions(sheds)
    if args.name is not None:
        sheds = [one for one in sheds if args.name.casefold() in (one.name.casefold(), (one.home or "").casefold())]
        if not sheds:
            complain(f"no shed of {args.name!r} was noted")
            return NOT_WELL
    if args.format == "json":
        plain = [
            {
                "name": one.name,
                "home": one.home,
                "interval_days": list(one.interval_days),
                "sheds": [record.to_json() for record in one.records],
            }
            for one in sheds
        ]
        emit_json({"animals": plain, "questions": [{**to_plain(q), "says": q.sentence()} for q in asked]})
        return DONE
    for line in shed_lines(sheds, asked, Wording.of(config.site)):
        say(line)
    return DONE


def _vet_sheet(args: Arguments) -> int:
    from dewkeeper.report.animals import animals, find_animal
    from dewkeeper.report.model import to_plain
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.vet_sheet import vet_lines, vet_sheet
    from dewkeeper.report.wording import Wording

    config = args.load_config()
    wording = Wording.of(config.site)
    with StoredPast.open(config) as past:
        journal = past.journal(0)
        animal = find_animal(animals(journal, nameless=True), args.name)
        if animal is None:
            complain(f"no animal {args.name!r}; `dewkeeper animals` lists them")
            return NOT_WELL
        sheet = vet_sheet(past, animal, journal, wording, args.now())
    if args.format == "json":
        sheds = [] if sheet.sheds is None else [record.to_json() for record in sheet.sheds.records]
        emit_json({**to_plain(sheet), "sheds": sheds})
        return DONE
    for line in vet_lines(sheet, wording, config.web.vet_phone):
        say(line)
    return DONE


def _eggs(args: Arguments) -> int:
    from dewkeeper.report.eggs import EGG_WORDS, clutch_lines, clutches
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.wording import Wording

    config = args.load_config()
    with StoredPast.open(config) as past:
        found = clutches(past, config, past.journal(0, words=EGG_WORDS), args.now())
    if args.format == "json":
        emit_json([one.to_json() for one in found])
        return DONE
    for one in found:
        for line in clutch_lines(one, Wording.of(config.site)):
            say(line)
    if not found:
        say("no clutch is set up; `dewkeeper journal add BOX eggs 6 eggs, 480 g` says so")
    return DONE
