"""The review page in a real browser: how soon the first sweep is seen, and how long a step takes. Run: python -m bench.browser

500 sweeps of 2,500 samples, in headless Chromium, drawn by software. Goals: first view under 1 s from the address, a step under
16 ms (one frame of 60 in a second). The step is timed from the key to the end of drawing, in the page.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from urllib.error import URLError

from decussa.compose.reviewing import ReviewRoom
from tests.compose.invented_session import MUSCLE, make_session

COUNT, SAMPLES, RATE_HZ = 500, 2500, 5000.0
PORT = 8917
STEPS = 200
#: Steps one sweep on, waits until it is on the screen, and says how long each took in ms.
_STEP = """async (steps) => {
  const took = [];
  for (let i = 0; i < steps; i++) {
    const start = performance.now();
    dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowRight' }));
    took.push(performance.now() - start);
    await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  }
  return took;
}"""


def main() -> None:
    """Print both figures beside their goals."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as place:
        session = make_session(Path(place) / "study", COUNT, n_samples=SAMPLES, rate_hz=RATE_HZ)
        ReviewRoom(Path(place) / "study", session).begin("R-1", blind=False)
        server = _serve(Path(place))
        try:
            with sync_playwright() as driver:
                browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
                page = browser.new_page(viewport={"width": 1440, "height": 900})
                address = f"http://127.0.0.1:{PORT}/read/study/{session}/review?rater=R-1"
                first = [_first_view(page, address) for _ in range(5)]
                page.wait_for_timeout(2000)
                steps = page.evaluate(_STEP, STEPS)
                browser.close()
        finally:
            server.terminate()
            server.wait(20)
    print(f"{COUNT} sweeps of {SAMPLES} samples, {MUSCLE}; headless Chromium")
    print(f"first sweep seen   median {statistics.median(first):6.0f} ms, worst {max(first):6.0f} ms   goal 1000 ms")
    steps.sort()
    print(
        f"step to the next   median {statistics.median(steps):6.1f} ms, 95 % within {steps[int(0.95 * STEPS)]:.1f} ms, "
        f"worst {steps[-1]:.1f} ms   goal 16 ms"
    )


def _first_view(page, address: str) -> float:
    page.goto(address)
    page.wait_for_function("performance.getEntriesByName('decussa first sweep').length > 0")
    return float(page.evaluate("performance.getEntriesByName('decussa first sweep')[0].startTime"))


def _serve(root: Path) -> subprocess.Popen[bytes]:
    start = "from decussa.command.cli import main; main()"
    server = subprocess.Popen([sys.executable, "-c", start, "serve", str(root), "--port", str(PORT)])
    for _ in range(1200):
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{PORT}/assets/style.css", timeout=5).close()
        except (URLError, OSError):
            time.sleep(0.1)
        else:
            return server
    raise RuntimeError("the server did not answer")


if __name__ == "__main__":
    main()
