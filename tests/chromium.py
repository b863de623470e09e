"""A headless Chromium, driven through its debugging protocol, and pages served to it."""

import asyncio
import base64
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from starcal.choices import names_of

ROOT = Path(__file__).parents[1]

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--hide-scrollbars",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-port=0",
]
MODEL = "Bokeh.documents[0].get_model_by_name"


class Browser:
    """A headless Chromium, driven through its debugging protocol on the loopback address."""

    def __init__(self, profile: Path):
        self.profile, self.runner, self.answers, self.events, self.count = (
            profile,
            asyncio.Runner(),
            {},
            [],
            0,
        )
        self.process = subprocess.Popen(
            [CHROMIUM, *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.runner.run(self._attach())

    async def _attach(self) -> None:
        from tornado.websocket import websocket_connect

        told = self.profile / "DevToolsActivePort"
        for _ in range(300):
            if told.exists() and len(words := told.read_text().split()) == 2:
                break
            await asyncio.sleep(0.1)
        self.plug = await websocket_connect(
            f"ws://127.0.0.1:{words[0]}{words[1]}", max_message_size=10**9
        )
        self.reader = asyncio.ensure_future(self._read())
        target = await self._send("Target.createTarget", url="about:blank")
        self.session = (await self._send("Target.attachToTarget", flatten=True, **target))[
            "sessionId"
        ]
        for domain in ("Page", "Runtime", "Network", "Log"):
            await self._send(f"{domain}.enable", session=self.session)
        await self._send(
            "Emulation.setDeviceMetricsOverride",
            session=self.session,
            width=1500,
            height=950,
            deviceScaleFactor=1,
            mobile=False,
        )

    async def _read(self) -> None:
        while (message := await self.plug.read_message()) is not None:
            message = json.loads(message)
            if "id" in message:
                self.answers.pop(message["id"]).set_result(message)
            else:
                self.events.append(message)

    async def _send(self, method: str, session: str | None = None, **params) -> dict:
        self.count += 1
        answer = self.answers[self.count] = asyncio.get_running_loop().create_future()
        await self.plug.write_message(
            json.dumps(
                {"id": self.count, "method": method, "params": params}
                | ({"sessionId": session} if session else {})
            )
        )
        answer = await asyncio.wait_for(answer, 30)
        assert "error" not in answer, (method, answer)
        return answer["result"]

    def send(self, method: str, **params) -> dict:
        return self.runner.run(self._send(method, session=self.session, **params))

    def js(self, code: str):
        answer = self.send("Runtime.evaluate", expression=code, returnByValue=True)
        assert "exceptionDetails" not in answer, (code, answer)
        return answer["result"].get("value")

    def until(self, code: str, tries: int = 600):
        """Wait until a condition holds; its value."""
        for _ in range(tries):
            if value := self.js(
                f"(() => {{ try {{ return {code} }} catch (error) {{ return null }} }})()"
            ):
                return value
            self.runner.run(asyncio.sleep(0.05))
        raise AssertionError(f"never came true: {code}")

    def box(self, name: str) -> list[float]:
        """Left, top, width and height of a figure on the screen."""
        return self.js(
            f"(() => {{ const b = Bokeh.index.get({MODEL}('{name}')).el.getBoundingClientRect();"
            "return [b.x, b.y, b.width, b.height] })()"
        )

    def drag(self, *places) -> None:
        """Press the mouse at the first place, go through the others, and let it go at the last."""
        kinds = [
            "mouseMoved",
            "mousePressed",
            *["mouseMoved"] * (len(places) - 1),
            "mouseReleased",
        ]
        for kind, (x, y) in zip(kinds, (places[0], *places, places[-1]), strict=True):
            self.send(
                "Input.dispatchMouseEvent",
                type=kind,
                x=x,
                y=y,
                button="left",
                buttons=1,
                clickCount=1,
            )
            self.runner.run(asyncio.sleep(0.02))

    def key(self, key: str, code: int = 0, ctrl: bool = False) -> None:
        for kind in ("keyDown", "keyUp"):
            typed = {"text": key} if kind == "keyDown" and len(key) == 1 and not ctrl else {}
            self.send(
                "Input.dispatchKeyEvent",
                type=kind,
                key=key,
                windowsVirtualKeyCode=code,
                modifiers=2 if ctrl else 0,
                **typed,
            )

    def select_route(self, name: str) -> None:
        self.js(
            f"(() => {{ const s = "
            f"Bokeh.index.get({MODEL}('route')).el.shadowRoot.querySelector('select');"
            f"s.selectedIndex = {names_of('route').index(name)}; s.dispatchEvent(new Event('change')) }})()"
        )

    def require_refused(self, name: str, reason: str) -> None:
        """A route that cannot be taken: the control goes back, why it did stays to be read, no step
        to undo."""
        route = self.js(f"{MODEL}('route').value")
        self.select_route(name)
        self.until(f"{MODEL}('status').text.includes('{reason}')")
        self.until(f"{MODEL}('route').value == '{route}'")
        self.runner.run(asyncio.sleep(0.5))
        said = self.js(f"{MODEL}('status').text")
        assert reason in said
        assert "--" not in said
        assert self.js(f"{MODEL}('undo').disabled")

    def pause(self, seconds: float) -> None:
        self.runner.run(asyncio.sleep(seconds))

    def close(self) -> None:
        self.runner.run(self._close())
        self.process.wait(20)
        self.runner.close()

    async def _close(self) -> None:
        await self._send("Browser.close")
        await self.reader
        self.plug.close()


@contextmanager
def served(frame, *words, folder=None):
    """The page of a frame, or the one to choose a frame of a folder on, served by the command: its
    address, and the process."""
    pytest.importorskip("bokeh", reason="Bokeh is not installed: pip install bokeh")
    command = [
        sys.executable,
        "-W",
        "error",
        "-m",
        "starcal",
        "view",
        *([] if frame is None else [str(frame)]),
        *words,
        "--no-browser",
    ]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT), "HOME": str(folder or frame.parent)},
    ) as server:
        said = server.stdout.readline()
        assert said.startswith("the page: http://127.0.0.1:"), (
            server.stderr.read() if server.poll() else said
        )
        try:
            _await_frame(said.split()[2])
            yield said.split()[2], server
        finally:  # a test that fails waits for no server
            server.send_signal(signal.SIGINT)  # nothing where it has ended
        try:
            rest, errors = server.communicate(timeout=120)
        except subprocess.TimeoutExpired:
            server.kill()
            raise
    assert (server.returncode, rest, errors) == (0, "", ""), (server.returncode, rest, errors)


def _await_frame(address: str, tries: int = 120) -> None:
    """Wait until the page is more than a picture as it is."""
    for _ in range(tries):
        with urllib.request.urlopen(address) as answer:
            if b"can be played with." not in answer.read():
                return
        time.sleep(1)  # each look opens a page, which is work for the server
    raise AssertionError("the picture is still worked on")


def composed(browser) -> tuple[np.ndarray, ...]:
    """What the picture shows, and the halves that it is made of."""
    texts = browser.js(
        "(() => { const take = (a) => { const b = new Uint8Array(a.buffer, a.byteOffset, "
        "a.byteLength);"
        "let t = ''; for (let i = 0; i < b.length; i += 8192) t += "
        "String.fromCharCode(...b.subarray(i, "
        "i + 8192)); return [a.shape, btoa(t)] };"
        f"const h = {MODEL}('halves').data;"
        f"return [{MODEL}('composed').data.image[0], h.before[0], h.after[0]].map(take) }})()"
    )
    return tuple(
        np.frombuffer(base64.b64decode(text), "<u4").reshape(shape) for shape, text in texts
    )


def settled(browser) -> np.ndarray:
    """The half after, once it stays the same: a new legend may move the layout, and each move shows
    another part."""
    last = None
    for _ in range(50):
        browser.runner.run(asyncio.sleep(0.3))
        last, before = composed(browser)[2], last
        if before is not None and np.array_equal(last, before):
            return last
    raise AssertionError("the picture never came to rest")


def opened(browser, address) -> None:
    browser.send("Page.navigate", url=address)
    browser.until("document.body.dataset.ready == 'yes'")
    browser.until(
        f"{MODEL}('composed').data.dw[0] > 1 && {MODEL}('halves').data.before[0].shape[0] > 100"
    )
