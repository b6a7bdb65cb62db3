"""A real chromium, driven by the W3C WebDriver protocol over plain HTTP.

Only what the page's tests need: open a file, run script, press keys, take pictures,
print, and read the console and every network request that was tried.
"""

import base64
import contextlib
import json
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
    "--hide-scrollbars",
)
AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
KEYS = {"Tab": "\ue004", "Enter": "\ue007", "Space": "\ue00d", "Escape": "\ue00c"}


def absent() -> str | None:
    """Why there is no browser to test with, or None."""
    for program in ("chromium", "chromedriver"):
        if shutil.which(program) is None:
            return f"{program} is not installed (Debian: chromium, chromium-driver)"
    return None


class Browser:
    """One session of one browser."""

    def __init__(self, address: str, profile: Path) -> None:
        self._address = address
        options = {
            "args": [*FLAGS, f"--user-data-dir={profile}"],
            "binary": shutil.which("chromium"),
            "perfLoggingPrefs": {"enableNetwork": True},
        }
        wanted = {
            "alwaysMatch": {
                "browserName": "chrome",
                "goog:chromeOptions": options,
                "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
            }
        }
        answer = self._ask("POST", "/session", {"capabilities": wanted})
        self._base = f"/session/{answer['sessionId']}"

    def _ask(self, method: str, path: str, body: Any = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(  # noqa: S310 own local driver
            self._address + path,
            data=data,
            method=method,
            headers={"Content-Type": "application/json"},
        )
        try:
            with urllib.request.urlopen(request, timeout=120) as answer:  # noqa: S310
                return json.loads(answer.read())["value"]
        except urllib.error.HTTPError as error:
            raise AssertionError(error.read().decode()) from None

    def do(self, method: str, path: str, body: Any = None) -> Any:
        """Any command of the session."""
        return self._ask(method, self._base + path, body)

    def tools(self, command: str, **params: Any) -> Any:
        """A command of the browser's developer tools."""
        return self.do("POST", "/goog/cdp/execute", {"cmd": command, "params": params})

    def open(self, page: Path, fragment: str = "") -> None:
        """Load a page from disk and wait for its load event."""
        self.do("POST", "/url", {"url": page.absolute().as_uri() + fragment})

    def run(self, script: str, *values: Any) -> Any:
        """Run the body of a function and return what it returns."""
        return self.do("POST", "/execute/sync", {"script": script, "args": values})

    def wait(self, script: str, *values: Any, seconds: float = 20) -> Any:
        """Run an async body: `done` is its last argument's name."""
        self.do("POST", "/timeouts", {"script": int(seconds * 1000)})
        body = f"const done = arguments[arguments.length - 1];\n{script}"
        return self.do("POST", "/execute/async", {"script": body, "args": values})

    def until(self, script: str, seconds: float = 20) -> Any:
        """Wait until a script returns something true."""
        end = time.monotonic() + seconds
        while not (found := self.run(script)):
            assert time.monotonic() < end, f"never true: {script}"
            time.sleep(0.03)
        return found

    def press(self, *keys: str) -> None:
        """Press keys one after the other."""
        actions = []
        for key in keys:
            value = KEYS.get(key, key)
            actions += [
                {"type": "keyDown", "value": value},
                {"type": "keyUp", "value": value},
            ]
        source = {"type": "key", "id": "keys", "actions": actions}
        self.do("POST", "/actions", {"actions": [source]})

    def window(self, width: int, height: int, *, phone: bool = False) -> None:
        """Set the viewport's size, exactly."""
        self.tools(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=phone,
        )

    def media(self, **features: str) -> None:
        """Emulate media features, such as prefers_color_scheme="dark"."""
        self.tools(
            "Emulation.setEmulatedMedia",
            features=[
                {"name": name.replace("_", "-"), "value": value}
                for name, value in features.items()
            ],
        )

    def picture(self, to: Path, *, whole: bool = False) -> None:
        """Save a screenshot of the viewport, or of the whole page."""
        shot = self.tools(
            "Page.captureScreenshot", format="png", captureBeyondViewport=whole
        )
        to.write_bytes(base64.b64decode(shot["data"]))

    def pdf(self, to: Path, *, inches: tuple[float, float] = (8.27, 11.69)) -> bytes:
        """Print the page to a file."""
        found = self.tools(
            "Page.printToPDF",
            paperWidth=inches[0],
            paperHeight=inches[1],
            printBackground=False,
            preferCSSPageSize=False,
        )
        content = base64.b64decode(found["data"])
        to.write_bytes(content)
        return content

    def complaints(self) -> list[str]:
        """Errors and warnings of the console since the last call."""
        found = self.do("POST", "/se/log", {"type": "browser"})
        return [
            f"{entry['level']}: {entry['message']}"
            for entry in found
            if entry["level"] in {"SEVERE", "WARNING"}
        ]

    def requests(self) -> list[str]:
        """Address of every request since the last call."""
        found = self.do("POST", "/se/log", {"type": "performance"})
        messages = [json.loads(entry["message"])["message"] for entry in found]
        return [
            message["params"]["request"]["url"]
            for message in messages
            if message["method"] == "Network.requestWillBeSent"
        ]

    def barriers(self) -> list[Any]:
        """Serious violations of WCAG 2 A and AA, as axe-core holds them."""
        # A page's own policy lets no foreign code in: the rules come by the tools.
        self.tools("Runtime.evaluate", expression=AXE.read_text(encoding="utf-8"))
        found = self.wait(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})"
            ".then(r => done(JSON.stringify(r.violations.map(v => [v.id, v.impact,"
            " v.nodes.length, v.nodes[0].html.slice(0, 200),"
            " v.nodes[0].failureSummary]))))",
            seconds=60,
        )
        return [v for v in json.loads(found) if v[1] in {"serious", "critical"}]

    def close(self) -> None:
        """End the session."""
        with contextlib.suppress(AssertionError, OSError):
            self.do("DELETE", "")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """A browser with a fresh profile in a folder; closed at the end."""
    port = _free_port()
    address = f"http://127.0.0.1:{port}"
    driver = subprocess.Popen(
        [str(shutil.which("chromedriver")), f"--port={port}"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(200):
            with (
                contextlib.suppress(OSError),
                socket.create_connection(("127.0.0.1", port), timeout=1),
            ):
                break
            time.sleep(0.05)
        session = Browser(address, folder / "profile")
        try:
            yield session
        finally:
            session.close()
    finally:
        driver.terminate()
        driver.wait(timeout=20)
