"""Real Chromium, one per window size and colour scheme, on the page of a whole daemon."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.daemon.conftest import Phone
from tests.web.conftest import Rig

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """Return a running daemon with its page."""
    folder = tmp_path / "state"
    folder.mkdir()
    with Phone() as phone:
        made = Rig(folder, phone.url)
        yield made
        made.close()


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Callable[..., Any]]:
    """Open browsers: width, height, colour scheme, with or without script."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="needs the test extra with selenium")
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("needs Chromium and chromedriver")
    opened: list[Any] = []

    def open_one(width: int, height: int, scheme: str = "light", *, script: bool = True) -> Any:
        options = webdriver.ChromeOptions()
        options.binary_location = chromium
        for flag in (*FLAGS, f"--user-data-dir={tmp_path / f'profile{len(opened)}'}"):
            options.add_argument(flag)
        service = webdriver.ChromeService(driver)
        one = webdriver.Chrome(options=options, service=service)
        opened.append(one)
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        one.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        feature = {"name": "prefers-color-scheme", "value": scheme}
        one.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
        one.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})  # the checker is a script; the page allows none
        if not script:
            one.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        return one

    yield open_one
    for one in opened:
        one.quit()
