"""A headless Chromium driven through its debugging pipe: no driver, no network, nothing but files.

Every request that is not ``file:`` or within the page, every console error and every uncaught
exception is kept, so that a test can ask that there was none.
"""

from __future__ import annotations

import base64
import io
import itertools
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

NAMES = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
HELD = ("file:", "data:", "blob:", "about:")
KEYS = {"Tab": 9, "Enter": 13, " ": 32, "PageUp": 33, "PageDown": 34, "End": 35, "Home": 36, "ArrowLeft": 37, "ArrowUp": 38,
        "ArrowRight": 39, "ArrowDown": 40}  # fmt: skip
"""Virtual key codes, as the protocol's Input.dispatchKeyEvent asks for them."""
PATIENCE_S = 120.0


def found() -> str | None:
    """The browser's file, if there is one here."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


class Page:
    """One page in the browser. requests, errors : what should not have been."""

    def __init__(self, sent: int, received: int) -> None:
        self._out, self._in = sent, received
        self._numbers = itertools.count(1)
        self._buffer = b""
        self._session: str | None = None
        self.requests: list[str] = []
        self.errors: list[str] = []

    def attach(self) -> None:
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        found_ = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = found_["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def close(self) -> None:
        self._session = None
        self.call("Browser.close")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One command of the protocol, and its answer."""
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._out, data) :]
        while True:
            answer = self._next()
            if answer.get("id") == number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]

    def _next(self) -> dict[str, Any]:
        until = time.monotonic() + PATIENCE_S
        while b"\0" not in self._buffer:
            if not select.select([self._in], [], [], max(0.0, until - time.monotonic()))[0]:
                raise TimeoutError("the browser is silent")
            read = os.read(self._in, 1 << 20)
            if not read:
                raise EOFError("the browser has gone")
            self._buffer += read
        text, self._buffer = self._buffer.split(b"\0", 1)
        answer: dict[str, Any] = json.loads(text)
        self._note(answer.get("method", ""), answer.get("params", {}))
        return answer

    def _note(self, method: str, params: dict[str, Any]) -> None:
        if method == "Network.requestWillBeSent":
            url = params["request"]["url"]
            if not url.startswith(HELD):
                self.requests.append(url)
        elif method == "Runtime.exceptionThrown":
            self.errors.append(json.dumps(params["exceptionDetails"])[:2000])
        elif method == "Runtime.consoleAPICalled" and params["type"] in (
            "error",
            "warning",
            "assert",
        ):
            self.errors.append(json.dumps(params["args"])[:2000])
        elif method == "Log.entryAdded" and params["entry"]["level"] == "error":
            self.errors.append(json.dumps(params["entry"])[:2000])

    def window(self, width: int, height: int, *, telephone: bool = False) -> None:
        """The size of the window [CSS px]; as on a telephone, with a finger and three pixels to one."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=3 if telephone else 1, mobile=telephone)  # fmt: skip
        self.call("Emulation.setTouchEmulationEnabled", enabled=telephone)

    def scripts(self, allowed: bool) -> None:
        self.call("Emulation.setScriptExecutionDisabled", value=not allowed)

    def open(self, path: Path) -> None:
        self.call("Page.navigate", url=path.resolve().as_uri())

    def value(self, expression: str) -> Any:
        """What a script expression gives, awaited."""
        answer = self.call("Runtime.evaluate", expression=expression, awaitPromise=True,
                           returnByValue=True)  # fmt: skip
        if "exceptionDetails" in answer:
            raise RuntimeError(f"{expression}: {answer['exceptionDetails']}")
        return answer["result"].get("value")

    def wait(self, expression: str) -> None:
        """Until an expression is true."""
        until = time.monotonic() + PATIENCE_S
        while not self.value(expression):
            if time.monotonic() > until:
                raise TimeoutError(f"never true: {expression}; {self.errors}")
            time.sleep(0.05)

    def press(self, key: str, times: int = 1) -> None:
        """Press a key so many times."""
        typed: dict[str, Any] = {"key": key, "code": "Space" if key == " " else key,
                                 "windowsVirtualKeyCode": KEYS[key]}  # fmt: skip
        down = "keyDown" if key in (" ", "Enter") else "rawKeyDown"
        text = {" ": " ", "Enter": "\r"}.get(key)
        for _ in range(times):
            self.call(
                "Input.dispatchKeyEvent", type=down, **typed, **({"text": text} if text else {})
            )
            self.call("Input.dispatchKeyEvent", type="keyUp", **typed)

    def pixels(self, selector: str) -> NDArray[np.uint8]:
        """The pixels of a canvas, (h, w, 3)."""
        url = self.value(f"document.querySelector({json.dumps(selector)}).toDataURL('image/png')")
        return _pixels(url.split(",", 1)[1])

    def screenshot(self, whole: bool = False) -> NDArray[np.uint8]:
        """The window, or the whole page, as it looks."""
        data = self.call("Page.captureScreenshot", captureBeyondViewport=whole)["data"]
        return _pixels(data)

    def printed(self) -> bytes:
        """The page as a PDF."""
        data = self.call("Page.printToPDF", printBackground=True, preferCSSPageSize=True)["data"]
        return base64.b64decode(data)


def _pixels(data: str) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGB"))


@contextmanager
def browser(folder: Path, *flags: str) -> Iterator[Page]:
    """A page of a browser of its own, whose profile is in the folder."""
    path = found()
    assert path is not None
    to_browser, ours_out = os.pipe()
    ours_in, from_browser = os.pipe()
    # The browser reads commands from file 3 and answers on file 4.
    command = [
        "bash", "-c", f'exec "$@" 3<&{to_browser} 4>&{from_browser}', "bash", path,
        "--headless", "--no-sandbox", "--remote-debugging-pipe", "--disable-background-networking",
        "--disable-component-update", "--no-first-run", "--disable-dev-shm-usage",
        "--host-resolver-rules=MAP * ~NOTFOUND", "--use-angle=swiftshader",
        "--enable-unsafe-swiftshader", f"--user-data-dir={folder}", *flags, "about:blank",
    ]  # fmt: skip
    process = subprocess.Popen(
        command, pass_fds=(to_browser, from_browser), stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(to_browser)
    os.close(from_browser)
    try:
        page = Page(ours_out, ours_in)
        page.attach()
        yield page
    finally:
        with suppress(OSError, EOFError, RuntimeError):
            page.close()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        os.close(ours_out)
        os.close(ours_in)
