"""The manual cannot drift from the code, and nothing in the project names a machine or a registry."""

import importlib.util
import re
import subprocess
from pathlib import Path

import pytest
from typer.main import get_command

from decussa.command.cli import app

ROOT = Path(__file__).parents[2]


def generator():
    spec = importlib.util.spec_from_file_location("generate", ROOT / "docs" / "generate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", sorted(generator().PAGES))
def test_a_generated_page_is_what_the_code_makes(name):
    assert (ROOT / "docs" / name).read_text(encoding="utf-8") == generator().PAGES[name](), (
        "run python docs/generate.py"
    )


def test_every_command_has_its_place_in_the_manual():
    manual = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    missing = [name for name in get_command(app).commands if f"## decussa {name}" not in manual]

    assert missing == []


def test_every_option_has_its_place_in_the_manual():
    manual = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    options = {
        option
        for command in get_command(app).commands.values()
        for parameter in command.params
        for option in parameter.opts
        if option.startswith("--")
    }

    assert [option for option in sorted(options - {"--help"}) if f"`{option}" not in manual] == []


def test_links_between_pages_lead_somewhere():
    broken = [
        f"{page.relative_to(ROOT)} -> {target}"
        for page in [ROOT / "README.md", ROOT / "CHANGELOG.md", *(ROOT / "docs").rglob("*.md")]
        for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", page.read_text(encoding="utf-8"))
        if not target.startswith(("http://", "https://", "mailto:")) and not (page.parent / target).exists()
    ]

    assert broken == []


def test_every_page_of_the_manual_is_reached_from_its_front_page():
    front = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    lost = [
        str(page.relative_to(ROOT / "docs"))
        for page in (ROOT / "docs").rglob("*.md")
        if page.name != "index.md" and f"({page.relative_to(ROOT / 'docs').as_posix()})" not in front
    ]

    assert lost == []


def test_no_file_holds_a_path_of_a_machine():
    files = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split("\n")
    pattern = re.compile(r"/(?:work|root|tmp|home/\w+)/")
    found = []
    for name in filter(None, files):
        path = ROOT / name
        if path.suffix in {".py", ".md", ".toml", ".txt", ".typ", ".js", ".css", ""} and path.is_file():
            text = path.read_text(encoding="utf-8", errors="replace")
            found += [
                f"{name}: {match.group()}" for match in pattern.finditer(text) if name != "tests/habits/test_docs.py"
            ]

    assert found == []
