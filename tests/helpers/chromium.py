"""A small client for headless Chromium: pages as a reader's browser shows and works them.

It speaks the DevTools protocol over two pipes (``--remote-debugging-pipe``), so that the
standard library is enough.
"""

from __future__ import annotations

import base64
import contextlib
import io
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

__all__ = ["Browser", "BrowserError", "Page", "find_chromium"]

# Pipes come as numbers 3 and 4; the shim moves them there and becomes the browser.
_SHIM = (
    "import os, sys; os.dup2(int(sys.argv[1]), 3); os.dup2(int(sys.argv[2]), 4); "
    "os.execv(sys.argv[3], sys.argv[3:])"
)
_FLAGS = (
    "--headless=new", "--no-sandbox", "--remote-debugging-pipe", "--no-first-run",
    "--disable-dev-shm-usage", "--hide-scrollbars", "--force-color-profile=srgb",
    "--enable-unsafe-swiftshader", "--disable-background-networking", "--disable-sync",
    "--disable-component-update", "--host-resolver-rules=MAP * ~NOTFOUND",
    # what is asked for happens at once, and no page is put to sleep
    "--disable-smooth-scrolling", "--disable-renderer-backgrounding",
    "--disable-background-timer-throttling", "--disable-backgrounding-occluded-windows",
)  # fmt: skip
_KEYS = {
    "Tab": 9, "Enter": 13, "Escape": 27, "End": 35, "Home": 36, "ArrowLeft": 37, "ArrowUp": 38,
    "ArrowRight": 39, "ArrowDown": 40,
}  # fmt: skip
# Seconds after which something will never happen, however busy the machine is.
_NEVER = 300


class BrowserError(RuntimeError):
    """The browser did not do what it was asked."""


def find_chromium() -> str | None:
    """Path of an installed Chromium, or None.

    Returns
    -------
    str or None
    """
    found = (shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome"))
    return next((path for path in found if path), None)


def _high(number: int) -> int:
    """The same pipe under a number that the shim does not overwrite."""
    import fcntl

    high = fcntl.fcntl(number, fcntl.F_DUPFD, 10)
    os.close(number)
    return high


class Browser:
    """One headless Chromium; a context manager.

    Parameters
    ----------
    path : str
    *flags : str
        Further flags of the command line.
    """

    def __init__(self, path: str, *flags: str) -> None:
        self.path, self.flags = path, flags

    def __enter__(self) -> Browser:
        self._profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        theirs_in, self._out = (_high(number) for number in os.pipe())
        self._in, theirs_out = (_high(number) for number in os.pipe())
        command = [self.path, *_FLAGS, *self.flags, f"--user-data-dir={self._profile.name}"]
        shim = [sys.executable, "-c", _SHIM, str(theirs_in), str(theirs_out)]
        self._process = subprocess.Popen(
            [*shim, *command, "about:blank"],
            pass_fds=(theirs_in, theirs_out),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(theirs_in)
        os.close(theirs_out)
        self._count, self._buffer = 0, b""
        self._events: list[dict[str, Any]] = []
        self._target = ""
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self.call("Browser.close")
            self._process.wait(10)
        except (BrowserError, OSError, subprocess.TimeoutExpired):
            self._process.kill()
            self._process.wait(10)
        os.close(self._in)
        os.close(self._out)
        self._profile.cleanup()

    def _message(self, until: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._in], [], [], max(until - time.monotonic(), 0))
            if not ready:
                raise BrowserError("The browser did not answer in time.")
            got = os.read(self._in, 1 << 20)
            if not got:
                raise BrowserError("The browser has ended.")
            self._buffer += got
        message, _, self._buffer = self._buffer.partition(b"\0")
        return dict(json.loads(message))

    def call(
        self, method: str, session: str | None = None, *, seconds: float = _NEVER, **parameters: Any
    ) -> dict[str, Any]:
        """Call a method of the protocol and wait for its answer; keep events that come first.

        Parameters
        ----------
        method : str
        session : str or None
            The page's, or None for the browser itself.
        seconds : float
            After which the browser is taken for dead.
        **parameters : Any

        Returns
        -------
        dict

        Raises
        ------
        BrowserError
            If the browser reports an error, ends, or does not answer.
        """
        self._count += 1
        request: dict[str, Any] = {"id": self._count, "method": method, "params": parameters}
        if session:
            request["sessionId"] = session
        sent = json.dumps(request).encode() + b"\0"
        while sent:
            sent = sent[os.write(self._out, sent) :]
        until = time.monotonic() + seconds
        while True:
            message = self._message(until)
            if message.get("id") == self._count:
                if "error" in message:
                    raise BrowserError(f"{method}: {message['error']}")
                return dict(message["result"])
            if "method" in message:
                self._events.append(message)

    def events(self, session: str) -> list[dict[str, Any]]:
        """Events of a page so far.

        Parameters
        ----------
        session : str

        Returns
        -------
        list of dict
        """
        return [event for event in self._events if event.get("sessionId") == session]

    def wait_for(self, session: str, method: str, seconds: float = _NEVER) -> None:
        """Wait until a page has told of an event.

        Parameters
        ----------
        session : str
        method : str
            Name of the event.
        seconds : float
            After which it is taken for never.
        """
        until = time.monotonic() + seconds
        while not any(event["method"] == method for event in self.events(session)):
            message = self._message(until)
            if "method" in message:
                self._events.append(message)

    def open(self, path: Path, *, width: int = 1000, height: int = 800, **media: str) -> Page:
        """Open a file in a new page, with the network cut off; the page before is closed.

        Parameters
        ----------
        path : Path
        width, height : int
            Of the window, in pixels.
        **media : str
            Media features, with _ for -: ``prefers_color_scheme="dark"``.

        Returns
        -------
        Page
            Loaded.
        """
        if self._target:
            self.call("Target.closeTarget", targetId=self._target)
        self._events.clear()
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._target = target
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        page = Page(self, session)
        for domain in ("Page", "Runtime", "Log", "Network"):
            page.call(f"{domain}.enable")
        cut = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
        page.call("Network.emulateNetworkConditions", **cut)
        # the keyboard is this page's, whatever other windows of this machine do
        page.call("Page.bringToFront")
        page.call("Emulation.setFocusEmulationEnabled", enabled=True)
        page.media(**media)
        page.resize(width, height)
        page.call("Page.navigate", url=path.resolve().as_uri())
        page.wait(
            "location.href !== 'about:blank' && document.readyState === 'complete' "
            "&& document.hasFocus()"
        )
        # newer browsers tell a page only when asked to; older ones do not know the method
        with contextlib.suppress(BrowserError):
            page.call("Network.overrideNetworkState", **cut)
        page.run("document.fonts.ready.then(() => true)")
        page.settle()
        return page


class Page:
    """One page of the browser.

    Parameters
    ----------
    browser : Browser
    session : str
    """

    def __init__(self, browser: Browser, session: str) -> None:
        self.browser, self.session = browser, session

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Call a method of the protocol on this page.

        Parameters
        ----------
        method : str
        **parameters : Any

        Returns
        -------
        dict
        """
        return self.browser.call(method, self.session, **parameters)

    def media(self, **features: str) -> None:
        """Set media features, or with `media="print"` the medium.

        Parameters
        ----------
        **features : str
        """
        medium = features.pop("media", "")
        listed = [{"name": k.replace("_", "-"), "value": v} for k, v in features.items()]
        self.call("Emulation.setEmulatedMedia", media=medium, features=listed)

    def resize(self, width: int, height: int) -> None:
        """Make the window another size.

        Parameters
        ----------
        width, height : int
        """
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=False)  # fmt: skip

    def run(self, script: str) -> Any:
        """Value of an expression of JavaScript; promises are waited for.

        Parameters
        ----------
        script : str

        Returns
        -------
        Any
        """
        done = self.call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in done:
            raise BrowserError(f"{script}: {done['exceptionDetails']}")
        return done["result"].get("value")

    def wait(self, script: str, seconds: float = _NEVER) -> None:
        """Wait until an expression is true.

        Parameters
        ----------
        script : str
        seconds : float
            After which it is taken for never.
        """
        until = time.monotonic() + seconds
        while not self.run(f"Boolean({script})"):
            if time.monotonic() > until:
                raise BrowserError(f"Not true within {seconds} s: {script}")
            time.sleep(0.05)

    def settle(self, frames: int = 2) -> None:
        """Wait until what was asked for is on the screen: two frames, or more.

        Parameters
        ----------
        frames : int
        """
        self.run(
            "new Promise(done => { const next = left => left ? "
            f"requestAnimationFrame(() => next(left - 1)) : done(); next({frames}); }})"
        )

    def focus(self, selector: str) -> None:
        """Give the focus to an element, and wait until it has it and stands still.

        Parameters
        ----------
        selector : str
        """
        element = f"document.querySelector({json.dumps(selector)})"
        self.run(f"{element}.focus()")
        self.wait(f"document.hasFocus() && document.activeElement === {element}")
        self.rest(selector)

    def rest(self, selector: str) -> None:
        """Wait until an element has kept its place and size for ten frames.

        Parameters
        ----------
        selector : str
        """
        self.run(
            f"new Promise(done => {{ let before = '', kept = 0; const look = () => {{ "
            f"const now = JSON.stringify(document.querySelector({json.dumps(selector)})"
            ".getBoundingClientRect()); kept = now === before ? kept + 1 : 0; before = now; "
            "if (kept < 10) requestAnimationFrame(look); else done(); }; look(); })"
        )

    def reload(self) -> None:
        """Load the page anew, and wait until it is there."""
        self.run("window.beforeReload = true")
        self.call("Page.reload")
        self.wait("!window.beforeReload && document.readyState === 'complete'")

    def move(self, x: float, y: float) -> None:
        """Move the mouse to a place of the window.

        Parameters
        ----------
        x, y : float
        """
        self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def click(self, x: float, y: float) -> None:
        """Click on a place of the window.

        Parameters
        ----------
        x, y : float
        """
        self.drag([(x, y)])

    def drag(self, places: list[tuple[float, float]]) -> None:
        """Press the mouse at the first place and let go at the last.

        Parameters
        ----------
        places : list of (float, float)
        """
        button = {"button": "left", "clickCount": 1}
        (x, y), *rest = places
        self.move(x, y)
        self.call("Input.dispatchMouseEvent", type="mousePressed", x=x, y=y, **button)
        for x, y in rest:
            self.call("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y, buttons=1, **button)
        self.call("Input.dispatchMouseEvent", type="mouseReleased", x=x, y=y, **button)

    def press(self, key: str) -> None:
        """Press and let go of a key.

        Parameters
        ----------
        key : str
            Its name, as 'ArrowLeft' or 'a'.
        """
        what: dict[str, Any] = {"key": key, "windowsVirtualKeyCode": _KEYS.get(key, 0)}
        typed = {"Enter": "\r"}.get(key, key if len(key) == 1 else "")
        down = {"text": typed} if typed else {}
        kind = "keyDown" if typed else "rawKeyDown"
        self.call("Input.dispatchKeyEvent", type=kind, **what, **down)
        self.call("Input.dispatchKeyEvent", type="keyUp", **what)

    def box(self, selector: str) -> dict[str, float]:
        """Where an element stands in the window, scrolled into view.

        Parameters
        ----------
        selector : str

        Returns
        -------
        dict
            `x`, `y`, `width`, `height`.
        """
        quoted = json.dumps(selector)
        found = self.run(
            # not by scrollIntoView, which makes the keyboard start from there
            f"(() => {{ const e = document.querySelector({quoted}); "
            "const a = e.getBoundingClientRect(); scrollBy({behavior: 'instant', "
            "top: a.top + a.height / 2 - innerHeight / 2}); const b = e.getBoundingClientRect(); "
            "return {x: b.x, y: b.y, width: b.width, height: b.height}; })()"
        )
        return dict(found)

    def picture(self, box: dict[str, float] | None = None) -> np.ndarray:
        """What the window shows.

        Parameters
        ----------
        box : dict or None
            As of `box`; None for the whole window.

        Returns
        -------
        ndarray of shape (height, width, 3)
        """
        self.settle()
        taken = base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])
        pixels = np.asarray(Image.open(io.BytesIO(taken)).convert("RGB")).astype(int)
        if box is None:
            return pixels
        x, y = round(box["x"]), round(box["y"])
        return pixels[y : y + round(box["height"]), x : x + round(box["width"])]

    def complaints(self) -> list[str]:
        """Errors that the page has met so far, and what it tried to fetch.

        Returns
        -------
        list of str
        """
        self.settle()
        found = []
        for event in self.browser.events(self.session):
            method, what = event["method"], event["params"]
            if method == "Runtime.exceptionThrown":
                found.append(str(what["exceptionDetails"]))
            elif method == "Runtime.consoleAPICalled" and what["type"] in ("error", "assert"):
                found.append(str(what["args"]))
            elif method == "Log.entryAdded" and what["entry"]["level"] == "error":
                found.append(str(what["entry"]["text"]))
            elif method == "Network.requestWillBeSent":
                address = what["request"]["url"]
                if not address.startswith(("file:", "data:", "blob:", "about:")):
                    found.append(f"fetches {address}")
        return found
