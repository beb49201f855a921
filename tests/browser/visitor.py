"""A person with a browser: looks, types and presses, and waits for the page a press leads to."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.web.conftest import PASSWORD

WAIT_SECONDS = 60
LAYOUT = Path(__file__).with_name("layout.js").read_text(encoding="utf-8")


class Visitor:
    """One Chromium window. `driver` is the WebDriver underneath."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def look_like(self, width: int, height: int, scheme: str = "light") -> None:
        """Be a window of this size in this colour scheme."""
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        feature = {"name": "prefers-color-scheme", "value": scheme}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})

    def log_in(self, base: str, code: str | None) -> None:
        """Set the login with the first-run code, or log in when there is none."""
        self.driver.get(base + "/")
        fields = {"name": "Ina", "password": PASSWORD}
        if code is not None:
            fields["code"] = code
        self.fill(**fields)
        self.press("Set the login" if code is not None else "Log in")

    def go(self, address: str) -> None:
        """Open an address."""
        self.driver.get(address)

    def fill(self, **fields: str) -> None:
        """Type into fields by name, in place of what is there."""
        for name, value in fields.items():
            element = self.one(f"main [name={name}]:not([type=hidden])")
            if element.tag_name == "input" and element.get_attribute("type") != "datetime-local":
                element.clear()
            element.send_keys(value)

    def choose(self, name: str, words: str) -> None:
        """Choose from a list by its words."""
        from selenium.webdriver.support.select import Select

        Select(self.one(f"[name={name}]")).select_by_visible_text(words)

    def press(self, words: str) -> None:
        """Press the first visible button with these words, and wait until its page is there."""
        shown = [b for b in self.driver.find_elements("css selector", "button") if b.text == words]
        self.follow(shown[0])

    def follow(self, element: Any) -> None:
        """Click a button or a link, and wait until the page it leads to is there."""
        before = self._document()
        self.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
        element.click()
        self._arrive(before)

    def unfold(self, words: str) -> None:
        """Open what is folded under these words."""
        summary = next(e for e in self.all("summary") if e.text.startswith(words))
        self.run("arguments[0].scrollIntoView({block: 'center'})", summary)
        summary.click()

    def follow_key(self, element: Any) -> None:
        """Press Enter on a link, and wait until the page it leads to is there."""
        before = self._document()
        element.send_keys("\n")
        self._arrive(before)

    def _arrive(self, before: float) -> None:
        from selenium.common.exceptions import WebDriverException
        from selenium.webdriver.support.wait import WebDriverWait

        # While one document replaces another every question about either may fail: ask again.
        WebDriverWait(self.driver, WAIT_SECONDS, 0.1, [WebDriverException]).until(
            lambda driver: self._document() != before and driver.find_element("css selector", "body > main")
        )

    def one(self, selector: str) -> Any:
        """Return the first element of a CSS selector."""
        return self.driver.find_element("css selector", selector)

    def all(self, selector: str) -> list[Any]:
        """Return every element of a CSS selector."""
        return list(self.driver.find_elements("css selector", selector))

    @property
    def text(self) -> str:
        """What the page's main part says."""
        return str(self.one("main").text)

    def run(self, script: str, *arguments: Any) -> Any:
        """Run a test's own script in the page."""
        return self.driver.execute_script(script, *arguments)

    def run_later(self, script: str) -> Any:
        """Run a test's own script in the page, and return what it gives to its last argument when it has it."""
        return self.driver.execute_async_script(script)

    def layout_faults(self) -> list[str]:
        """Return what is wider than the window, cut off, or lies on something else, in words."""
        return list(self.run(LAYOUT))

    def _document(self) -> float:
        """Return when the present document began to be fetched: no two have the same moment."""
        return float(self.run("return performance.timeOrigin"))
