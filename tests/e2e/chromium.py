"""Pages as a browser shows them: headless Chromium, driven over its DevTools protocol."""

from __future__ import annotations

import asyncio
import base64
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import aiohttp

_START_S = 60.0
_ANSWER_S = 60.0
_FLAGS = (
    "--headless=new",
    "--no-sandbox",  # tests run as root in a container
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
    "--hide-scrollbars",
    "--remote-debugging-port=0",
)


class Page:
    """One page of a browser. ``requested`` has its requests, except the one for the page itself."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse, loop: asyncio.AbstractEventLoop) -> None:
        self._socket = socket
        self._loop = loop
        self._last = 0
        self._session = ""
        self._events: list[dict[str, Any]] = []
        self.requested: list[str] = []

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Call a method of the protocol; gives its result. Raises AssertionError for an error."""
        return self._loop.run_until_complete(asyncio.wait_for(self._call(method, parameters), _ANSWER_S))

    async def _call(self, method: str, parameters: dict[str, Any]) -> dict[str, Any]:
        self._last += 1
        message: dict[str, Any] = {"id": self._last, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        await self._socket.send_json(message)
        while True:
            answer = await self._next()
            if answer.get("id") == self._last:
                assert "error" not in answer, f"{method}: {answer['error']}"
                found: dict[str, Any] = answer["result"]
                return found

    async def _next(self) -> dict[str, Any]:
        message: dict[str, Any] = await self._socket.receive_json()
        if message.get("method") == "Network.requestWillBeSent":
            self.requested.append(message["params"]["request"]["url"])
        elif "method" in message:
            self._events.append(message)
        return message

    async def _event(self, method: str) -> None:
        while not any(event["method"] == method for event in self._events):
            await self._next()
        self._events.clear()

    def attach(self) -> None:
        """A page of its own."""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network"):
            self.call(f"{domain}.enable")

    def open(self, file: Path) -> None:
        """Show a file, and forget what was asked for before."""
        self._events.clear()
        self.requested.clear()
        self.call("Page.navigate", url=file.resolve().as_uri())
        self._loop.run_until_complete(asyncio.wait_for(self._event("Page.loadEventFired"), _ANSWER_S))

    def look(self, width_px: int, height_px: int, *, dark: bool = False, printed: bool = False) -> None:
        """Set the size of the window and the medium of the page."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width_px,
            height=height_px,
            deviceScaleFactor=1,
            mobile=width_px < 500,
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media="print" if printed else "", features=[scheme])

    def run(self, script: str) -> Any:
        """The value of an expression of JavaScript. Raises AssertionError for one that fails."""
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def picture(self, *, whole: bool = True) -> bytes:
        """Return a picture as PNG: of the whole page, or of the window."""
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        return base64.b64decode(answer["data"])

    def pdf(self, width_inch: float, height_inch: float) -> bytes:
        """The page on paper of this size."""
        answer = self.call(
            "Page.printToPDF",
            paperWidth=width_inch,
            paperHeight=height_inch,
            printBackground=True,
            preferCSSPageSize=False,
        )
        return base64.b64decode(answer["data"])


class Browser:
    """A running browser; use it as a context manager that gives a page."""

    def __init__(self, program: str) -> None:
        self._program = program
        self._loop = asyncio.new_event_loop()

    def __enter__(self) -> Page:
        self._folder = tempfile.TemporaryDirectory(prefix="chromium-", ignore_cleanup_errors=True)
        flags = (*_FLAGS, f"--user-data-dir={self._folder.name}")
        self._process = subprocess.Popen(
            [self._program, *flags, "about:blank"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            return self._loop.run_until_complete(asyncio.wait_for(self._connect(), _START_S))
        except BaseException:
            self._stop()
            raise

    async def _connect(self) -> Page:
        where = Path(self._folder.name) / "DevToolsActivePort"
        while not (where.is_file() and len(where.read_text().splitlines()) == 2):
            assert self._process.poll() is None, "the browser ended at once"
            await asyncio.sleep(0.05)
        port, path = where.read_text().splitlines()
        self._client = aiohttp.ClientSession()
        socket = await self._client.ws_connect(f"ws://127.0.0.1:{port}{path}", max_msg_size=0)
        return Page(socket, self._loop)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._loop.run_until_complete(self._client.close())
        self._stop()

    def _stop(self) -> None:
        self._process.terminate()
        self._process.wait()
        self._folder.cleanup()
        self._loop.close()


@contextmanager
def browsing(program: str) -> Iterator[Page]:
    """A page of a browser that is there until the end."""
    with Browser(program) as page:
        page.attach()
        yield page
