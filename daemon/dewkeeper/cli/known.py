"""`dewkeeper known`: what is known of each enclosure's water, places and changes, in sentences."""

from __future__ import annotations

import argparse

from dewkeeper.cli.output import DONE, NOT_WELL, Arguments, emit_json, known_enclosure, say


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `known`."""
    parser = commands.add_parser(
        "known",
        help="how long the water lasts, how humid it is where the snake lies, what changes did",
        description="What was learned of each enclosure, in sentences, each marked as measured, extrapolated, reckoned or not"
        " known with the reason.",
    )
    parser.add_argument("enclosure", nargs="?", metavar="ENCLOSURE", help="only this one")
    parser.set_defaults(run=_known, reads=True)


def _known(args: Arguments) -> int:
    from dewkeeper.report.ahead import water
    from dewkeeper.report.heat_words import heat_words
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.where import where, where_rows
    from dewkeeper.report.wording import Wording

    config = args.load_config()
    if not known_enclosure(config, args.enclosure):
        return NOT_WELL
    names = [e.name for e in config.enclosure if args.enclosure in (None, e.name)]
    now, wording = args.now(), Wording.of(config.site)
    rows: list[dict[str, str]] = []
    with StoredPast.open(config) as past:
        known = past.learned(now)
        for name in names:
            learned = known.get(name)
            lasting = water(past, config, name, learned, now)
            heat = heat_words(learned, now, wording)
            sections = {
                "how long the water lasts": [
                    *(("extrapolated", said) for said in lasting.extrapolated),
                    *(("measured", said) for said in lasting.measured),
                    *(("not known", said) for said in lasting.unknown),
                ],
                "what its heat does": [
                    *(("measured", said) for said in heat.measured),
                    *(("not known", said) for said in heat.unknown),
                ],
                "where the snake lies": where_rows(where(past, config, name, learned, now)),
                "what changes did": [("measured", said) for said in lasting.changes],
            }
            rows += [
                {"enclosure": name, "about": about, "kind": kind, "said": said}
                for about, lines in sections.items()
                for kind, said in lines
            ]
    if args.format == "json":
        emit_json(rows)
        return DONE
    heads: set[tuple[str, ...]] = set()
    for row in rows:
        for head, text in (
            ((row["enclosure"],), row["enclosure"]),
            ((row["enclosure"], row["about"]), f"  {row['about']}"),
        ):
            if head not in heads:
                heads.add(head)
                say(text)
        say(f"    {row['said']} ({row['kind']})")
    return DONE
