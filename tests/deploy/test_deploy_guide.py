"""README and guide: what they tell to write down is accepted, and a stranger finds what each sends him to."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from dewkeeper.cli import build_parser
from dewkeeper.cli.command_list import reference
from dewkeeper_config.loading import parse
from dewkeeper_config.models import ConfigFile
from dewkeeper_config.reference import examples

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = (ROOT / "README.md", ROOT / "deploy" / "GUIDE.md")
TEXT = {document.name: document.read_text(encoding="utf-8") for document in DOCUMENTS}


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of a language."""
    fenced = (block.partition("\n") for block in text.split("```")[1::2])
    return [content for spoken, _, content in fenced if spoken == language]


def told_how() -> str:
    """Return the first example rack with the guide's own ways to be told in place of its own."""
    rack = examples()["first_probe"].split("[[channel]]")[0]
    (people,) = [block for block in blocks(TEXT["GUIDE.md"], "toml") if "[[person]]" in block and "[site]" not in block]
    return rack + people


def test_the_guides_channels_and_people_are_a_configuration() -> None:
    """Pasted below a rack they load, every channel is used, and every credential is one that the guide has written."""
    config = parse(told_how().encode(), Path("guide"))
    assert {name for person in config.person for name in person.channels} == {one.name for one in config.channel}
    credentials = set(re.findall(r'credential = "(\w+)"', told_how()))
    (loop,) = [block for block in blocks(TEXT["GUIDE.md"], "") if "mail_user" in block]
    assert credentials == set(loop.partition("for name in ")[2].partition(";")[0].split())


def test_forty_tubs_in_the_guide_are_forty_tubs() -> None:
    """The guide's rack is accepted and stands for 39 tubs and a place that is empty."""
    (rack,) = [block for block in blocks(TEXT["GUIDE.md"], "toml") if "[rack.exceptions]" in block]
    people = examples()["first_probe"]
    config = parse((rack + people[people.index("[[channel]]") :]).encode(), Path("guide"))
    assert len(config.enclosure) == 39
    assert config.probe[-1].multiplexer == 0x72


def test_the_guides_collector_and_neighbour_are_configurations() -> None:
    """The one that looks after all sites stands for itself; the neighbour's table is pasted below a rack."""
    text = TEXT["GUIDE.md"]
    (all_sites,) = [block for block in blocks(text, "toml") if "[collector]" in block]
    config = parse(all_sites.encode(), Path("guide"))
    assert config.collector is not None
    assert config.enclosure == []
    credentials = set(re.findall(r'credential = "(\w+)"', all_sites))
    (commands,) = [block for block in blocks(text, "") if "dewkeeper_watch" in block]
    assert all(f"{name}" in commands for name in credentials)
    (neighbour,) = [block for block in blocks(text, "toml") if "[neighbour]" in block]
    found = parse((examples()["first_probe"] + neighbour).encode(), Path("guide")).neighbour
    assert found is not None
    assert found.name == "North room"


@pytest.mark.root
@pytest.mark.skipif(shutil.which("unshare") is None, reason="needs unshare")
def test_config_check_is_green_for_root_with_the_guides_own_credentials(tmp_path: Path) -> None:
    """Written where and as the guide says, and looked for by root outside the unit: nothing is missing, exit 0.

    /etc is a copy of its own in a mount namespace, so the machine's stays as it is.
    """
    if os.geteuid() != 0:
        pytest.skip("needs root")
    etc, file = tmp_path / "etc", tmp_path / "rack.toml"
    file.write_text(told_how(), encoding="utf-8")
    names = sorted(set(re.findall(r'credential = "(\w+)"', told_how())))
    program = f"""set -e
mkdir -p {etc}; cp -a /etc/. {etc}/; mount --bind {etc} /etc
install -d -m 0755 /etc/dewkeeper; install -d -m 0700 /etc/dewkeeper/credentials
for name in {" ".join(names)}; do echo secret | install -m 0600 /dev/stdin /etc/dewkeeper/credentials/$name; done
{sys.executable} -m dewkeeper config check --config {file}"""
    # Slave: it lets go of what the fault campaign unmounts beside it.
    own = ["unshare", "--mount", "--propagation", "slave"]
    done = subprocess.run([*own, "sh", "-c", program], capture_output=True, text=True, check=False)
    if "Operation not permitted" in done.stderr:
        pytest.skip("this machine gives no mount namespace")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "good (1 enclosures, 1 probes)" in done.stdout


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda document: document.name)
def test_every_link_leads_somewhere(document: Path) -> None:
    """Files are there, and headings of that name in them."""
    for target in re.findall(r"\]\(([^)]+)\)", document.read_text(encoding="utf-8")):
        place, _, heading = target.partition("#")
        file = (document.parent / place) if place else document
        assert file.is_file(), target
        headings = re.findall(r"^#+ (.+)$", file.read_text(encoding="utf-8"), re.MULTILINE)
        assert not heading or heading in {re.sub(r"[^\w -]", "", one.lower()).replace(" ", "-") for one in headings}


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda document: document.name)
def test_every_command_that_is_named_is_one(document: Path) -> None:
    """`dewkeeper WORD` in README and guide is a command of today."""
    known = set(re.findall(r"## `dewkeeper ([a-z]+)", reference(build_parser())))
    named = set(re.findall(r"`(?:sudo )?(?:-u dewkeeper )?dewkeeper ([a-z]+)", document.read_text(encoding="utf-8")))
    named |= set(
        re.findall(
            r"^(?:sudo )?(?:-u dewkeeper )?dewkeeper ([a-z]+)",
            "\n".join(blocks(document.read_text(encoding="utf-8"), "")),
            re.MULTILINE,
        )
    )
    assert named
    assert named <= known


@pytest.mark.parametrize("block", [b for text in TEXT.values() for b in blocks(text, "toml")])
def test_every_piece_of_configuration_has_known_keys_only(block: str) -> None:
    """What the documents show of the file uses tables that the file has."""
    assert set(tomllib.loads(block)) <= set(ConfigFile.field_names)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda document: document.name)
def test_the_cautions_stand_where_they_matter(document: Path) -> None:
    """Heat, mains, limits, vet, vents, salt, disinfecting and hands: in both documents (KEEPER's list of cautions)."""
    text = document.read_text(encoding="utf-8").lower()
    for words in (
        "cut-out",
        "drip loops",
        "licensed electrician",
        "exotics vet",
        "spectacle",
        "mesh near a lamp",
        "humid hide",
        "sodium chloride",
        "bleach" if document.name == "README.md" else "disinfect",
        "wash",
    ):
        assert words in text, words
