"""A headless Chromium, driven over its DevTools protocol (https://chromedevtools.github.io/devtools-protocol/)."""

from __future__ import annotations

import asyncio
import base64
import json
import os
import shutil
import signal
import subprocess
import time
import urllib.request
from typing import TYPE_CHECKING

from tornado.websocket import websocket_connect

if TYPE_CHECKING:
    from pathlib import Path

EXECUTABLE = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)
QUIET = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
DESK, TABLET, PHONE = (1280, 900), (820, 1180), (390, 844)
PATIENCE_S = 60


class Browser:
    """One browser with one page; it records the page's log and every requested address."""

    def __init__(self, profile: Path) -> None:
        self.loop = asyncio.new_event_loop()
        self.messages: list[str] = []
        self.requests: list[str] = []
        self.loaded = False
        self.number = 0
        self.process = subprocess.Popen(
            [
                EXECUTABLE,
                *QUIET,
                "--hide-scrollbars",
                "--remote-debugging-port=0",
                f"--user-data-dir={profile}",
                "about:blank",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            address = self.find_page(profile)
            self.socket = self.run(lambda: websocket_connect(address, max_message_size=2**28))
        except BaseException:
            self.end()
            raise
        for domain in ("Page", "Runtime", "Log", "Network", "DOM"):
            self.ask(f"{domain}.enable")

    def run(self, start):
        """Run the coroutine of `start`, called within the event loop as the socket requires."""

        async def wait():
            return await asyncio.wait_for(asyncio.ensure_future(start()), PATIENCE_S)

        return self.loop.run_until_complete(wait())

    def find_page(self, profile: Path) -> str:
        port_file, end = profile / "DevToolsActivePort", time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            assert self.process.poll() is None, "the browser ended at once"
            if port_file.is_file() and (text := port_file.read_text()).count("\n"):
                with urllib.request.urlopen(f"http://127.0.0.1:{text.splitlines()[0]}/json/list") as answer:
                    pages = [each for each in json.load(answer) if each["type"] == "page"]
                if pages:
                    return pages[0]["webSocketDebuggerUrl"]
            time.sleep(0.05)
        raise TimeoutError("the browser opened no page")

    def ask(self, method: str, **parameters):
        self.number += 1
        number = self.number
        message = json.dumps({"id": number, "method": method, "params": parameters})
        self.run(lambda: self.socket.write_message(message))
        while True:
            answer = self.hear()
            if answer.get("id") == number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                return answer["result"]

    def hear(self) -> dict:
        answer = json.loads(self.run(self.socket.read_message))
        method, found = answer.get("method"), answer.get("params", {})
        if method == "Runtime.consoleAPICalled":
            self.messages.append(str(found["args"]))
        elif method == "Runtime.exceptionThrown":
            self.messages.append(str(found["exceptionDetails"]))
        elif method == "Log.entryAdded":
            self.messages.append(f"{found['entry']['level']}: {found['entry']['text']}")
        elif method == "Network.requestWillBeSent":
            self.requests.append(found["request"]["url"])
        elif method == "Page.loadEventFired":
            self.loaded = True
        return answer

    def open(self, page: Path, size=DESK, light="light") -> None:
        """Open a page of the disk at a size, in a colour scheme."""
        self.messages.clear()
        self.requests.clear()
        width, height = size
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        self.ask("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": light}])
        self.loaded = False
        self.ask("Page.navigate", url=page.resolve().as_uri())
        self.wait_until_loaded()

    def wait_until_loaded(self) -> None:
        while not self.loaded:
            self.hear()

    def value(self, script: str):
        """Return the value of an expression in the page."""
        answer = self.ask("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def middle_of(self, selector: str) -> tuple[float, float]:
        """Scroll to the first matching element and return its centre."""
        box = self.value(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
            " e.scrollIntoView({block: 'center', behavior: 'instant'});"
            " const b = e.getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2]; })()"
        )
        return box[0], box[1]

    def point(self, selector: str) -> None:
        """Move the mouse to an element."""
        x, y = self.middle_of(selector)
        self.ask("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def click(self, selector: str) -> None:
        """Click an element with the mouse."""
        x, y = self.middle_of(selector)
        for kind in ("mousePressed", "mouseReleased"):
            self.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def follow(self, selector: str) -> None:
        """Click a link and wait for its page."""
        self.loaded = False
        self.click(selector)
        self.wait_until_loaded()

    def press(self, key: str, text: str = "") -> None:
        """Press a key."""
        for kind in ("keyDown", "keyUp"):
            self.ask("Input.dispatchKeyEvent", type=kind, key=key, code=key, text=text if kind == "keyDown" else "")

    def write(self, text: str) -> None:
        """Type a text into the focused element."""
        self.ask("Input.insertText", text=text)

    def print_pdf(self) -> bytes:
        """Print the page as a PDF on A4."""
        return base64.b64decode(self.ask("Page.printToPDF", printBackground=True, preferCSSPageSize=True)["data"])

    def picture(self) -> bytes:
        """Return a screenshot as PNG."""
        return base64.b64decode(self.ask("Page.captureScreenshot", format="png")["data"])

    def close(self) -> None:
        self.socket.close()
        self.run(lambda: asyncio.sleep(0.1))
        self.end()

    def end(self) -> None:
        os.killpg(self.process.pid, signal.SIGTERM)
        self.process.wait(PATIENCE_S)
        self.loop.close()
