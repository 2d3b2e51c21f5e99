"""A real browser without a window, driven through the WebDriver protocol (W3C Recommendation) with plain HTTP."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # the standard's key of an element reference
KEYS = {"Enter": "\ue007", "Tab": "\ue004", "Escape": "\ue00c", "Right": "\ue014", "Down": "\ue015", "Ctrl": "\ue009"}
WAIT_S = 30
ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def is_installed() -> bool:
    """Whether there is a browser to drive."""
    return bool(shutil.which("chromium") and shutil.which("chromedriver"))


class Browser:
    """One session. Elements are named by CSS selectors."""

    def __init__(self, base: str, profile: Path, size: tuple[int, int]) -> None:
        arguments = [*ARGUMENTS, f"--user-data-dir={profile}", f"--window-size={size[0]},{size[1]}"]
        wanted = {
            "goog:chromeOptions": {"binary": shutil.which("chromium"), "args": arguments},
            "goog:loggingPrefs": {"performance": "ALL", "browser": "ALL"},
        }
        self._base = base
        session = self._ask("POST", "session", {"capabilities": {"alwaysMatch": wanted}})["sessionId"]
        self._base = f"{base}session/{session}/"

    def open(self, address: str) -> None:
        """Go to an address."""
        self._ask("POST", "url", {"url": address})

    def new_page(self) -> str:
        """Open another page of the same browser and go there; its handle."""
        handle = self._ask("POST", "window/new", {"type": "tab"})["handle"]
        self.switch(handle)
        return handle

    def switch(self, handle: str) -> None:
        """Go to a page by its handle."""
        self._ask("POST", "window", {"handle": handle})

    @property
    def handle(self) -> str:
        """The handle of the page that is shown."""
        return self._ask("GET", "window")

    def close_page(self) -> None:
        """Close the page that is shown."""
        self._ask("DELETE", "window")

    def run(self, script: str, *words: Any) -> Any:
        """What a script returns."""
        return self._ask("POST", "execute/sync", {"script": script, "args": list(words)})

    def text(self, selector: str) -> str:
        """The visible text of an element."""
        return self.run("return document.querySelector(arguments[0])?.innerText ?? ''", selector)

    def click(self, selector: str) -> None:
        """Click an element."""
        found = self._ask("POST", "element", {"using": "css selector", "value": selector})[ELEMENT]
        self._ask("POST", f"element/{found}/click", {})

    def type(self, text: str) -> None:
        """Press keys, one after another, wherever the focus is."""
        actions = [{"type": kind, "value": key} for key in text for kind in ("keyDown", "keyUp")]
        self._ask("POST", "actions", {"actions": [{"type": "key", "id": "keys", "actions": actions}]})

    def chord(self, held: str, key: str) -> None:
        """Press a key while another is held."""
        steps = (("keyDown", held), ("keyDown", key), ("keyUp", key), ("keyUp", held))
        actions = [{"type": kind, "value": value} for kind, value in steps]
        self._ask("POST", "actions", {"actions": [{"type": "key", "id": "keys", "actions": actions}]})

    def point(self, x: float, y: float, *, kind: str = "mouse", hold_ms: int = 0, to: tuple[float, float] = ()) -> None:  # type: ignore[assignment]
        """Press and lift a mouse, pen or finger at a place of the window; held and moved before, when asked."""
        actions: list[dict[str, Any]] = [{"type": "pointerMove", "x": round(x), "y": round(y), "duration": 0}]
        actions += [{"type": "pointerDown", "button": 0}, {"type": "pause", "duration": hold_ms}]
        if to:
            actions += [{"type": "pointerMove", "x": round(to[0]), "y": round(to[1]), "duration": 200}]
        actions += [{"type": "pointerUp", "button": 0}]
        source = {"type": "pointer", "id": kind, "parameters": {"pointerType": kind}, "actions": actions}
        self._ask("POST", "actions", {"actions": [source]})

    def move(self, x: float, y: float) -> None:
        """Move the mouse."""
        action = {"type": "pointerMove", "x": round(x), "y": round(y), "duration": 50}
        self._ask("POST", "actions", {"actions": [{"type": "pointer", "id": "mouse", "actions": [action]}]})

    def wait(self, what: Callable[[], Any], said: str = "") -> Any:
        """The first true answer; AssertionError when none comes."""
        end = time.monotonic() + WAIT_S
        while time.monotonic() < end:
            answer = what()
            if answer:
                return answer
            time.sleep(0.05)
        raise AssertionError(f"waited in vain: {said}; page says {self.text('body')!r}; log {self.log('browser')}")

    def log(self, kind: str) -> list[dict[str, Any]]:
        """Entries since the last look: "browser" (console) or "performance" (network among them)."""
        return self._ask("POST", "se/log", {"type": kind})

    def requests(self) -> list[str]:
        """The addresses of everything the page asked for since the last look."""
        messages = [json.loads(entry["message"])["message"] for entry in self.log("performance")]
        return [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]

    def picture(self, path: Path) -> None:
        """A picture of the window as PNG."""
        path.write_bytes(base64.b64decode(self._ask("GET", "screenshot")))

    def resize(self, width: int, height: int) -> None:
        """Give the page itself this size."""
        self._ask("POST", "goog/cdp/execute", {"cmd": "Emulation.setDeviceMetricsOverride", "params": {
            "width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}})  # fmt: skip

    def quit(self) -> None:
        """End the session."""
        self._ask("DELETE", "")

    def _ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"{self._base}{path}".rstrip("/"), data, method=method)
        try:
            with urllib.request.urlopen(request, timeout=60) as reply:
                return json.load(reply)["value"]
        except urllib.error.HTTPError as error:
            raise AssertionError(f"{path}: {json.load(error)['value']['message']}") from error


@contextmanager
def driven(folder: Path, size: tuple[int, int] = (1280, 800)) -> Iterator[Browser]:
    """A browser with a profile of its own below `folder`; it and its driver end afterwards."""
    driver = subprocess.Popen(["chromedriver", "--port=0"], stdout=subprocess.PIPE, text=True)
    try:
        assert driver.stdout is not None
        line = next(line for line in driver.stdout if "started successfully on port" in line)
        browser = Browser(f"http://127.0.0.1:{line.rstrip().rstrip('.').split()[-1]}/", folder / "profile", size)
        try:
            browser.resize(*size)
            yield browser
        finally:
            browser.quit()
    finally:
        driver.terminate()
        driver.wait(20)
        if driver.stdout is not None:
            driver.stdout.close()
