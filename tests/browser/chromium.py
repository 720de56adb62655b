"""A headless Chromium, driven over its debugging socket: only what the page's checks need.

Rule of this file: the browser is a process of ours with a profile of its own, and is ended by its number.
"""

import asyncio
import base64
import contextlib
import json
import os
import re
import signal
import subprocess
import tempfile
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from websockets.asyncio.client import ClientConnection, connect

WAIT_S = 20.0
STEP_S = 0.05
LISTENING = re.compile(r"DevTools listening on (ws://\S+)")
SWITCHES = ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--remote-debugging-port=0")


@dataclass
class Browser:
    """One running browser: commands out, answers and events in."""

    socket: ClientConnection
    waiting: dict[int, asyncio.Future[dict[str, Any]]] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)
    last_id: int = 0

    async def read(self) -> None:
        """Hand answers to who waits for them, and keep every error of any page's console."""
        async for text in self.socket:
            message = json.loads(text)
            if "id" in message:
                self.waiting.pop(message["id"]).set_result(message)
            elif message["method"] == "Log.entryAdded" and message["params"]["entry"]["level"] == "error":
                self.errors.append(message["params"]["entry"]["text"])
            elif message["method"] == "Runtime.exceptionThrown":
                self.errors.append(json.dumps(message["params"]["exceptionDetails"])[:400])

    async def tell(self, method: str, session: str | None = None, **params: Any) -> dict[str, Any]:
        """Give a command and return its result; raises RuntimeError where the browser refuses it."""
        self.last_id += 1
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self.waiting[self.last_id] = answer
        whole = {"id": self.last_id, "method": method, "params": params, **({"sessionId": session} if session else {})}
        await self.socket.send(json.dumps(whole))
        got = await asyncio.wait_for(answer, WAIT_S)
        if "error" in got:
            raise RuntimeError(f"{method}: {got['error']}")
        result: dict[str, Any] = got["result"]
        return result

    async def page(self, url: str, width: int, height: int, dark: bool = False) -> "Page":
        """Open a page with a profile of its own at a phone's size."""
        context = (await self.tell("Target.createBrowserContext"))["browserContextId"]
        target = (await self.tell("Target.createTarget", url="about:blank", browserContextId=context))["targetId"]
        session = (await self.tell("Target.attachToTarget", targetId=target, flatten=True))["sessionId"]
        page = Page(self, session)
        for method in ("Page.enable", "Runtime.enable", "Log.enable", "Network.enable"):
            await page.tell(method)
        await page.tell(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=True
        )
        scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        await page.tell("Emulation.setEmulatedMedia", features=scheme)
        await page.tell("Page.navigate", url=url)
        return page


@dataclass
class Page:
    """One tab."""

    browser: Browser
    session: str

    async def tell(self, method: str, **params: Any) -> dict[str, Any]:
        """Give a command to this tab."""
        return await self.browser.tell(method, self.session, **params)

    async def value(self, script: str) -> Any:
        """Return what an expression of the page's own script language is worth there."""
        got = await self.tell("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        if "exceptionDetails" in got:
            raise RuntimeError(f"{script[:80]}: {got['exceptionDetails']}")
        return got["result"].get("value")

    async def text(self, name: str) -> str:
        """Return the text of the element with this id."""
        return str(await self.value(f"document.getElementById({name!r})?.textContent"))

    async def until(self, script: str, max_s: float = WAIT_S) -> None:
        """Wait until an expression is true; raises TimeoutError naming it."""
        end_s = asyncio.get_running_loop().time() + max_s
        while not await self.value(script):
            if asyncio.get_running_loop().time() > end_s:
                raise TimeoutError(f"not in {max_s:g} s: {script}; the state is {await self.text('state')}")
            await asyncio.sleep(STEP_S)

    async def until_state(self, *states: str, max_s: float = WAIT_S) -> None:
        """Wait until the page shows one of these states."""
        await self.until(f"{json.dumps(states)}.includes(document.getElementById('state')?.textContent)", max_s)

    async def tap(self, selector: str) -> None:
        """Touch the middle of an element, where it is on the screen."""
        found = f"document.querySelector({selector!r})"
        await self.until(f"{found} && !{found}.disabled && !{found}.closest('[hidden]')")
        await self.value(f"{found}.scrollIntoView({{block: 'center'}})")
        x, y = await self.value(f"(b => [b.x + b.width / 2, b.y + b.height / 2])({found}.getBoundingClientRect())")
        for kind, points in (("touchStart", [{"x": x, "y": y}]), ("touchEnd", [])):
            await self.tell("Input.dispatchTouchEvent", type=kind, touchPoints=points)

    async def network(self, there: bool) -> None:
        """Take this tab's network away, or give it back."""
        await self.tell(
            "Network.emulateNetworkConditions", offline=not there, latency=0, downloadThroughput=-1, uploadThroughput=-1
        )

    async def shoot(self, file: Path) -> None:
        """Keep a picture of what is on the screen."""
        file.write_bytes(base64.b64decode((await self.tell("Page.captureScreenshot", format="png"))["data"]))


@contextlib.asynccontextmanager
async def chromium(program: str, *more: str) -> AsyncIterator[Browser]:
    """Run a browser for a while, with more switches where they are given."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        command = [program, *SWITCHES, *more, f"--user-data-dir={profile}", "about:blank"]
        process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, start_new_session=True)
        assert process.stderr is not None
        try:
            address = await asyncio.wait_for(asyncio.to_thread(_address, process.stderr), WAIT_S)
            async with connect(address, max_size=None, ping_interval=None) as socket:
                browser = Browser(socket)
                reading = asyncio.ensure_future(browser.read())
                try:
                    yield browser
                finally:
                    reading.cancel()
                    await asyncio.gather(reading, return_exceptions=True)
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGTERM)
            process.wait(WAIT_S)
            process.stderr.close()


def _address(errors: Any) -> str:
    for line in errors:
        if found := LISTENING.search(line):
            return found.group(1)
    raise RuntimeError("the browser has ended without telling where it listens")
