"""A browser for the tests of pages: Chromium without a window, spoken to over a pipe; and axe-core.

Source: Chrome DevTools Protocol, --remote-debugging-pipe: messages of JSON, each with a NUL behind it.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest

AXE = "axe-core@4.14.1"
AXE_DIGEST = "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--remote-debugging-pipe", "about:blank",
)  # fmt: skip


class Browser:
    """One page of a browser; ``events`` are what it told while it was asked something."""

    def __init__(self, program: str, home: Path) -> None:
        theirs, self._out = os.pipe()
        self._in, ours = os.pipe()
        redirect = f'exec "$0" "$@" 3<&{theirs} 4>&{ours}'
        self._process = subprocess.Popen(
            ["bash", "-c", redirect, program, f"--user-data-dir={home}", *FLAGS], pass_fds=(theirs, ours),
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(theirs)
        os.close(ours)
        self._rest = b""
        self._count = 0
        self._session = ""
        self.events: list[dict[str, Any]] = []
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")

    def ask(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command, and wait for its answer."""
        self._count += 1
        message: dict[str, Any] = {"id": self._count, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        self._send(message)
        while True:
            found = self._next()
            if found.get("id") == self._count:
                assert "error" not in found, found["error"]
                return dict(found["result"])
            self.events.append(found)

    def _send(self, message: dict[str, Any]) -> None:
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._out, data) :]

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            more = os.read(self._in, 1 << 16)
            assert more, "the browser ended"
            self._rest += more
        found, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(found))

    def open(self, address: str) -> None:
        """Go to a page, and wait until it is there."""
        self.events.clear()
        self.ask("Page.navigate", url=address)
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._next())

    def run(self, script: str) -> Any:
        """The value of a script, or of what it promises."""
        found = self.ask("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in found, found["exceptionDetails"]
        return found["result"].get("value")

    def look(self, width: int, *, dark: bool = False) -> None:
        """Set the width of the screen, and light or dark."""
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 600)
        features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.ask("Emulation.setEmulatedMedia", media="screen", features=features)

    def press(self, key: str) -> None:
        """Press a key and let it go."""
        for kind in ("rawKeyDown", "keyUp"):
            code = {"Tab": 9, "Enter": 13}[key]
            self.ask("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)
        if key == "Enter":
            self.ask("Input.dispatchKeyEvent", type="char", text="\r")

    def picture(self) -> bytes:
        """The whole page as PNG."""
        found = self.ask("Page.captureScreenshot", captureBeyondViewport=True)
        return base64.b64decode(found["data"])

    def paper(self) -> bytes:
        """The page as it prints, as PDF, even where the screen is dark."""
        self.ask("Emulation.setEmulatedMedia", media="", features=[{"name": "prefers-color-scheme", "value": "dark"}])
        return base64.b64decode(self.ask("Page.printToPDF", preferCSSPageSize=True)["data"])

    def close(self) -> None:
        """End the browser."""
        os.close(self._out)
        os.close(self._in)
        self._process.terminate()
        self._process.wait(timeout=20)


def chromium() -> str:
    """The browser, or a skipped test that says that there is none."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not found:
        pytest.skip("chromium is not installed (Debian package chromium): the report is not looked at in a browser")
    return found


def axe(folder: Path) -> str:
    """The script of axe-core, from the npm registry for this run; or a skipped test that says why it is not there."""
    if not shutil.which("npm"):
        pytest.skip("npm is not installed: no axe-core to judge accessibility by")
    command = ["npm", "pack", AXE, "--silent", "--fetch-retries=0", "--fetch-timeout=30000"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=90)
    if done.returncode:
        pytest.skip(f"{AXE} cannot be had from the npm registry: {done.stderr.strip()[:200]}")
    data = (folder / done.stdout.split()[-1]).read_bytes()
    assert base64.b64encode(hashlib.sha512(data).digest()).decode() == AXE_DIGEST, "this is another axe-core"
    with tarfile.open(fileobj=io.BytesIO(data)) as archive:
        script = archive.extractfile("package/axe.min.js")
        assert script is not None
        return script.read().decode()
