"""In a rehearsal the virtual person holds what is asked for, and Run shows it against its band."""

import pytest

from tests.screen.driving import answer, begin, make_rehearsal, wait_for_mode

HELD = """
[study]
name = "held"

[[muscles]]
muscle = "FDI"
side = "right"
stim_side = "left"
electrodes = "belly and tendon"

[coil]
type = "figure of eight"

[[steps]]
kind = "mvc"
efforts = 1
rest_s = 30

[[steps]]
kind = "silent period"
intensity = "50 % MSO"
contraction_pct = 20
trials = 4
"""


@pytest.mark.parametrize(("width", "dark"), [(1440, True), (900, False), (390, True)])
def test_a_contraction_is_drawn_against_its_band(
    server, served_root, open_page, find_violations, picture, tmp_path, width, dark
):
    (tmp_path / "held.toml").write_text(HELD, encoding="utf-8")
    page = open_page(
        server.url + make_rehearsal(served_root, f"held-{width}", tmp_path / "held.toml"), width=width, dark=dark
    )
    begin(page)
    for _ in range(12):
        if page.locator(".holdbox svg").count():
            break
        if wait_for_mode(page, "set", "question", "rest", "finished") == "set":
            page.wait_for_selector(".holdbox svg")
            break
        answer(page)
    page.wait_for_timeout(1500)

    label = page.get_attribute(".holdbox svg", "aria-label")
    assert "asked for 15 to 25 %" in label
    assert page.inner_text(".holdwords").strip()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert not find_violations(page)
    picture(page, f"run-contraction-{width}")
