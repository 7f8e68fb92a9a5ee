"""The Run page in a real browser: how soon after the key a pulse's verdict is read. Run: python -m bench.run_page

Timed in the page, from the key to the drawing: the verdict with the next setting, and the sweep with the estimate. Beside it in
the same run: what a key costs that changes nothing in the session (a form that opens), which is the way to the program and
back. A blink takes 100 to 400 ms (common knowledge, no source).
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
from pathlib import Path

from tests.screen.conftest import Server
from tests.screen.driving import begin, give, make_rehearsal, mode_of, wait_for_mode

PULSES = 40
#: Presses a key and says after how many ms each of some parts of the page had changed.
_PRESS = """async ([key, parts]) => {
  const html = (part) => document.querySelector(part).innerHTML;
  const before = parts.map(html);
  const start = performance.now();
  dispatchEvent(new KeyboardEvent('keydown', { key }));
  const changed = (i) => new Promise((done) => {
    const look = () => html(parts[i]) !== before[i] || performance.now() - start > 10000
      ? done(performance.now() - start) : requestAnimationFrame(look);
    look();
  });
  return Promise.all(parts.map((_, i) => changed(i)));
}"""


def main() -> None:
    """Print how long verdict, sweep and an idle key take."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as place:
        path = make_rehearsal(Path(place), "bench", "hand", seed=5)
        server = Server(place).start()
        try:
            with sync_playwright() as driver:
                browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
                page = browser.new_page(viewport={"width": 1440, "height": 900})
                page.goto(server.url + path)
                begin(page)
                give(page, 20)
                pulses, idle = [], []
                while len(pulses) < PULSES:
                    if wait_for_mode(page, "set", "question", "rest", "finished") != "set":
                        give(page, 1)
                        continue
                    pulses.append(page.evaluate(_PRESS, ["Enter", [".far", ".near"]]))
                    page.wait_for_timeout(300)
                    if mode_of(page) == "set":
                        idle += page.evaluate(_PRESS, ["?", [".near"]])
                        page.keyboard.press("Escape")
                        page.wait_for_timeout(300)
                browser.close()
        finally:
            server.stop()
    _say("a key that changes nothing", idle, idle)
    _say("verdict and next setting", [verdict for verdict, _ in pulses], idle)
    _say("sweep and estimate", [sweep for _, sweep in pulses], idle)


def _say(what: str, took: list[float], idle: list[float]) -> None:
    ratio = statistics.median(took) / statistics.median(idle)
    print(
        f"{what:28} median {statistics.median(took):6.0f} ms, worst {max(took):6.0f} ms, {ratio:4.1f} times the idle key"
    )


if __name__ == "__main__":
    main()
