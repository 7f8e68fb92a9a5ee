"""A served folder of studies and a real browser: pages are tried as they are used.

Where there is no Chromium the tests are passed over with the reason; on the machine that checks every change (``CI=true``)
that is a failure.
"""

import os
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import pytest

from tests.session.stage import SHORT

#: Where pictures of pages go, when somebody wants to look at them.
PICTURES = os.environ.get("DECUSSA_PICTURES", "")
#: How long a server may take to start, on a machine that does other things too.
STARTING_S = 240


class Server:
    """The program, serving a folder; may be killed and started again."""

    def __init__(self, root, *, host="127.0.0.1", options=(), prelude=""):
        self.root, self.host, self.options, self.prelude = Path(root), host, options, prelude
        self.port = _free_port()
        self.process = self.log = None

    @property
    def url(self):
        return f"{'https' if self.options else 'http'}://{self.host}:{self.port}"

    def start(self):
        start = f"{self.prelude}from decussa.command.cli import main; main()"
        command = [sys.executable, "-c", start, "serve", str(self.root), "--port", str(self.port), *self.options]
        env = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST")}
        self.log = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115 closed when the server ends
        self.process = subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=self.log)
        end = time.monotonic() + STARTING_S
        while time.monotonic() < end:
            if self.process.poll() is not None:
                self.log.seek(0)
                said = self.log.read()
                self.log.close()
                raise RuntimeError(f"the server ended: {said}")
            try:
                urllib.request.urlopen(f"{self.url}/assets/style.css", timeout=5, context=self._trusting()).close()
            except OSError:
                time.sleep(0.1)
            else:
                return self
        self.kill()
        raise RuntimeError(f"the server did not answer within {STARTING_S} s")

    def _trusting(self):
        """Whom to believe: the test's own certificate is nobody's."""
        return ssl._create_unverified_context() if self.options else None

    def kill(self):
        self._end(signal.SIGKILL)

    def stop(self):
        self._end(signal.SIGTERM)

    def _end(self, how):
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(how)
            self.process.wait(20)
        if self.log is not None:
            self.log.close()


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture(scope="session")
def browser():
    """Chromium without a window; one for all tests."""
    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    if binary is None:
        missing = "no Chromium on this machine: pages cannot be tried"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=binary, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture
def open_page(browser):
    """Return a function that opens a page; afterwards no page may have asked another machine, or failed in its scripts."""
    contexts, asked, faults = [], [], []

    def open_at(url="about:blank", *, dark=False, width=1440, height=900):
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            reduced_motion="reduce",
        )
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda opened: asked.append(opened.url))
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("dialog", lambda shown: faults.append(f"a dialog: {shown.message}"))
        page.goto(url)
        return page

    yield open_at
    for context in contexts:
        context.close()
    # The browser's own viewer of PDF files asks the browser itself.
    own = ("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:", "about:", "chrome://", "chrome-extension://")
    elsewhere = [url for url in asked if not url.startswith(own)]
    assert not elsewhere
    assert not faults


@pytest.fixture(scope="session")
def served_root(tmp_path_factory):
    """A folder of studies that all tests of one run share: make studies with names of your own in it."""
    return tmp_path_factory.mktemp("studies")


@pytest.fixture(scope="session")
def server(served_root):
    """The program, serving ``served_root``; never kill this one, start a ``Server`` of your own."""
    running = Server(served_root).start()
    yield running
    running.stop()


@pytest.fixture
def own_server(tmp_path):
    """A server for one test, which may kill it; its folder is ``own_server.root``."""
    root = tmp_path / "studies"
    root.mkdir()
    running = Server(root)
    yield running
    running.stop()


@pytest.fixture(scope="session")
def short_protocol(tmp_path_factory):
    """The file of a protocol with few pulses."""
    path = tmp_path_factory.mktemp("protocols") / "short.toml"
    path.write_text(SHORT, encoding="utf-8")
    return path


@pytest.fixture
def find_violations():
    """Return a function that gives what axe finds on a page, as a list of lines."""
    from axe_playwright_python.sync_playwright import Axe

    def find(page):
        found = Axe().run(page).response["violations"]
        return [f"{fault['id']}: {node['html'][:160]}" for fault in found for node in fault["nodes"]]

    return find


@pytest.fixture
def picture(request):
    """Return a function that takes a picture of a page, named after the test; kept where ``DECUSSA_PICTURES`` says."""

    def take(page, name):
        folder = Path(PICTURES) if PICTURES else request.getfixturevalue("tmp_path")
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{name}.png"
        page.screenshot(path=path)
        return path

    return take
