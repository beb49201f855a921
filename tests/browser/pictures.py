"""The README's pictures, made of the demonstration in Chromium: `python -m tests.browser.pictures`.

Each carries the digest of the templates it shows, and `test_browser_pictures` asks for that digest: who changes the page
takes its picture again. The message is drawn as a phone might show it; what it says is what the demonstration's phone was
sent.
"""

from __future__ import annotations

import hashlib
import html
import shutil
import struct
import sys
import tempfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.browser.conftest import FLAGS, DemoRack
from tests.browser.visitor import Visitor

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "deploy" / "pictures"
WEB = ROOT / "daemon" / "dewkeeper" / "web"
SHOWN = (
    "templates/base.html",
    "templates/parts.html",
    "templates/overview.html",
    "templates/morning.html",
    "static/page.css",
)
KEY = "templates"
LARGEST_BYTES = 150_000
BAR_PIXELS = 70
"""The bar below the page, with a little air above it."""
PHONE = """<!doctype html><meta charset="utf-8"><style>
body { margin: 0; padding: 24px 20px; background: #30363d; font: 16px/1.4 sans-serif; width: 340px; box-sizing: border-box }
section { background: #fbfbf8; color: #1b1f23; border-radius: 12px; padding: 12px 14px; margin-bottom: 12px }
small { display: flex; justify-content: space-between; color: #4a5058; font-size: 13px }
h1 { font-size: 16px; margin: 4px 0 6px } p { margin: 0; white-space: pre-line; font-size: 15px }
</style>"""


def digest() -> str:
    """Return the digest of what the picture of the page is made of."""
    whole = hashlib.sha256()
    for name in SHOWN:
        whole.update((WEB / name).read_bytes())
    return whole.hexdigest()


def chunks(png: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield type and content of every chunk (PNG specification, third edition, 5.3)."""
    at = 8  # after the signature
    while at + 8 <= len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        yield png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        at += length + 12


def packed(png: bytes, text: str) -> bytes:
    """Return the same picture, packed as tight as zlib can, with a text of its own (tEXt, 11.3.3.2)."""
    pixels = b"".join(content for kind, content in chunks(png) if kind == b"IDAT")
    kept = [(kind, content) for kind, content in chunks(png) if kind not in (b"IDAT", b"IEND", b"tEXt")]
    said = (b"tEXt", KEY.encode("latin-1") + b"\0" + text.encode("latin-1"))
    written = [*kept, said, (b"IDAT", zlib.compress(zlib.decompress(pixels), 9)), (b"IEND", b"")]
    return png[:8] + b"".join(
        struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        for kind, content in written
    )


def carried(png: bytes) -> str:
    """Return the text that `packed` put into a PNG, an empty one when there is none."""
    begins = KEY.encode() + b"\0"
    return next(
        (c[len(begins) :].decode("latin-1") for kind, c in chunks(png) if kind == b"tEXt" and c.startswith(begins)), ""
    )


def take(folder: Path) -> None:
    """Play the demonstration's night and write both pictures."""
    rack = DemoRack(folder / "rack")
    driver = _chromium(folder / "profile")
    try:
        visitor = Visitor(driver)
        visitor.look_like(900, 800)
        assert rack.page.first_run_code is not None
        visitor.log_in(rack.base, rack.page.first_run_code)
        visitor.go(rack.base + "/")
        height = driver.execute_script("return document.querySelector('main').getBoundingClientRect().bottom")
        _write("morning.png", driver, 900, min(660, int(height) + BAR_PIXELS))
        sent = [arrival for arrival in rack.inbox.arrivals if arrival.genuine is not None]
        chosen = [next(one for one in sent if one.title.startswith(name)) for name in ("B3", "A2")]
        page = folder / "phone.html"
        page.write_text(PHONE + "".join(_card(one.title, "\n".join(one.lines)) for one in chosen), encoding="utf-8")
        visitor.look_like(340, 600)
        visitor.go(page.as_uri())
        height = driver.execute_script("return document.body.scrollHeight")
        _write("message.png", driver, 340, int(height))
    finally:
        driver.quit()
        rack.close()


def _card(title: str, text: str) -> str:
    return (
        f"<section><small><span>dewkeeper</span></small><h1>{html.escape(title)}</h1>"
        f"<p>{html.escape(text)}</p></section>"
    )


def _write(name: str, driver: Any, width: int, height: int) -> None:
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    png = packed(driver.get_screenshot_as_png(), digest())
    assert len(png) <= LARGEST_BYTES, f"{name}: {len(png)} bytes"
    (PICTURES / name).write_bytes(png)
    print(f"{PICTURES / name}: {len(png)} bytes")


def _chromium(profile: Path) -> Any:
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or "chromium"
    for flag in (*FLAGS, "--disable-lcd-text", f"--user-data-dir={profile}"):  # grey letters pack better
        options.add_argument(flag)
    return webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver")))


def main() -> int:
    """Take both pictures anew."""
    with tempfile.TemporaryDirectory() as folder:
        take(Path(folder))
    return 0


if __name__ == "__main__":
    sys.exit(main())
