"""The manual builds as a site without a warning, every link in it leads somewhere, and it fetches nothing from anywhere."""

import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("manual")
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "--quiet", "--site-dir", str(folder)]
    built = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert built.returncode == 0, built.stdout + built.stderr
    return folder


class Page(HTMLParser):
    """Links, places and resources of a page."""

    def __init__(self, path):
        super().__init__()
        self.path, self.places, self.links, self.fetched = path, set(), [], []
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag, attrs):
        held = dict(attrs)
        self.places |= {held[name] for name in ("id", "name") if held.get(name)}
        if tag == "a" and held.get("href"):
            self.links.append(held["href"])
        if tag in {"script", "img", "source", "iframe"} and held.get("src"):
            self.fetched.append(held["src"])
        if tag == "link" and held.get("href"):
            self.fetched.append(held["href"])


@pytest.fixture(scope="module")
def pages(site):
    return {path: Page(path) for path in sorted(site.rglob("*.html"))}


def test_every_page_of_the_manual_is_in_the_site_and_in_its_contents(site):
    listed = Page(site / "index.html").links
    written = [
        path.relative_to(ROOT / "docs").with_suffix(".html").as_posix() for path in (ROOT / "docs").rglob("*.md")
    ]

    assert [name for name in written if not (site / name).exists()] == []
    assert [name for name in written if name not in listed] == []


def test_every_link_leads_to_a_page_and_a_place_in_it(pages):
    broken = []
    for path, page in pages.items():
        for link in page.links:
            parts = urlsplit(link)
            if parts.scheme or parts.netloc or path.name == "404.html":
                continue
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            found = pages.get(target)
            if not target.is_file() or (parts.fragment and found and unquote(parts.fragment) not in found.places):
                broken.append(f"{path.name}: {link}")

    assert broken == []


def test_the_site_fetches_nothing_from_another_machine(site, pages):
    fetched = [link for page in pages.values() for link in page.fetched if not link.startswith("data:")]
    styles = "".join(path.read_text(encoding="utf-8") for path in site.rglob("*.css"))

    assert [link for link in fetched if urlsplit(link).netloc] == []
    assert set(re.findall(r"url\(.{5}", styles)) <= {"url('data"}
    assert "@import" not in styles


def test_nothing_of_how_the_site_is_made_is_in_it(site):
    assert [path.name for path in site.rglob("*") if path.suffix in {".py", ".md", ".yml"}] == []


def test_every_public_name_says_its_arguments(pages, site):
    text = (site / "python.html").read_text(encoding="utf-8")

    for name in ("dc-read", "dc-measure", "dc-measure-archive", "dc-ratio", "dc-threshold"):
        assert name in pages[site / "python.html"].places
    assert "measure_archive(" in re.sub(r"<[^>]+>", "", text)
