"""The contents of the site are those of the front page: its headings, and under each the pages that it links to.

A bullet that begins with a link gives pages; one that begins with words gives a group of pages under these words.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

Nav = list[dict[str, Any]]

_LINK = re.compile(r"\[([^\]]+)\]\(([^)#]+\.md)\)")


def contents(front: str) -> Nav:
    """Return the contents that a front page in Markdown gives, as mkdocs takes them."""
    nav: Nav = [{"Manual": "index.md"}]
    for section in re.split(r"^## ", front, flags=re.MULTILINE)[1:]:
        heading, _, body = section.partition("\n")
        pages: Nav = []
        for bullet in re.split(r"^- ", body, flags=re.MULTILINE)[1:]:
            links = [{_title(name): page} for name, page in _LINK.findall(bullet)]
            if bullet.startswith("["):
                pages += links
            elif links:
                pages.append({_title(bullet.partition(":")[0]): links})
        if pages:
            nav.append({heading.strip(): pages})
    return nav


def _title(words: str) -> str:
    text = words.replace("`", "").strip()
    return text[:1].upper() + text[1:]


def on_config(config: Any) -> Any:
    """Give mkdocs the contents."""
    config.nav = contents((Path(config.docs_dir) / "index.md").read_text(encoding="utf-8"))
    return config
