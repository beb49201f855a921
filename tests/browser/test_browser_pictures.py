"""The README's pictures are there, small, and of the page as it is."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from tests.browser.pictures import LARGEST_BYTES, PICTURES, ROOT, carried, chunks, digest, packed

AGAIN = "take the pictures again: PYTHONPATH=. .venv/bin/python -m tests.browser.pictures"


@pytest.mark.parametrize("name", ["morning.png", "message.png"])
def test_a_picture_is_there_small_and_of_the_page_as_it_is(name: str) -> None:
    """At most 150 kB, a PNG, and with the digest of today's templates in it."""
    png = (PICTURES / name).read_bytes()
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    assert len(png) <= LARGEST_BYTES
    assert carried(png) == digest(), AGAIN


def test_packing_changes_no_pixel() -> None:
    """The text goes in and comes out, and the pixels stay as they are; a picture without a text says nothing."""
    png = (PICTURES / "message.png").read_bytes()
    again = packed(png, "abc")
    assert carried(again) == "abc"
    assert carried(png[:33]) == ""
    for kind in (b"IHDR", b"IDAT"):
        assert [one for one in chunks(again) if one[0] == kind] == [one for one in chunks(png) if one[0] == kind]


def test_every_picture_in_the_documents_is_there_and_has_words() -> None:
    """README and guide name no file that is missing, and each picture says in words what it shows."""
    for document in (ROOT / "README.md", ROOT / "deploy" / "GUIDE.md"):
        for alt, source in re.findall(r'<img src="([^"]+)" alt="([^"]*)"', document.read_text(encoding="utf-8")):
            assert (document.parent / alt).is_file(), (document.name, alt)
            assert len(source) > 20


def test_the_drawing_can_be_read() -> None:
    """It is SVG, titled, with no text below 12 units."""
    tree = ElementTree.parse(Path(PICTURES / "wiring.svg"))  # noqa: S314  our own file
    sizes = [float(text.get("font-size", "0")) for text in tree.iter("{http://www.w3.org/2000/svg}text")]
    assert min(sizes) >= 12
    assert tree.find("{http://www.w3.org/2000/svg}title") is not None
