"""Small drawn signs and building blocks of pages: everything a page says passes through ``text``."""

from __future__ import annotations

from html import escape

#: Signs of verdicts, gates and states: a shape each, so that colour is never the only sign.
_SHAPES = {
    "accept": '<circle class="fill" cx="10" cy="10" r="7.5"/>',
    "doubtful": '<path class="line" d="M10 2L18 10L10 18L2 10Z"/><path class="fill" d="M10 2L2 10L10 18Z"/>',
    "reject": '<rect class="line" x="3" y="3" width="14" height="14"/><path class="line" d="M3 17L17 3"/>',
    "open": '<circle class="line" cx="10" cy="10" r="7"/>',
    "unseen": '<circle class="line dots" cx="10" cy="10" r="7"/>',
}
_SHAPES |= {
    "done": _SHAPES["accept"],
    "halt": _SHAPES["reject"],
    "lost": _SHAPES["unseen"],
    "refused": _SHAPES["reject"],
    "incomplete": _SHAPES["doubtful"],
}

CROSSING = (
    '<svg class="crossing" viewBox="0 0 26 26" width="{size}" height="{size}" aria-hidden="true">'
    '<path d="M6 2C6 12 20 14 20 24"/><path d="M20 2C20 6.6 17.4 9.4 15 11.6M11 14.4C8.6 16.6 6 19.4 6 24"/></svg>'
)


def text(words: object) -> str:
    """Return words as they may stand in a page: escaped."""
    return escape(str(words), quote=True)


def crossing(size: int) -> str:
    """Return the mark of the program, and of truth in a debrief."""
    return CROSSING.format(size=size)


def sign(kind: str, size: int = 18) -> str:
    """Return the shape of a verdict or state."""
    return f'<svg class="sign {kind}" viewBox="0 0 20 20" width="{size}" height="{size}" aria-hidden="true">{_SHAPES[kind]}</svg>'


def say(kind: str, words: str = "", size: int = 18) -> str:
    """Return a shape with its word beside it."""
    return f'<span class="say {kind}">{sign(kind, size)}<span>{text(words or kind)}</span></span>'


def cap(key: str) -> str:
    """Return a key drawn as an outlined cap."""
    return f"<kbd>{text(key)}</kbd>"


def key(cap_: str, words: str, act: str) -> str:
    """Return a key with its word, which can be pressed on the screen too."""
    return f'<button type="button" class="key" data-act="{act}">{cap(cap_)}<span>{text(words)}</span></button>'


def button(words: str, act: str, *, cap_: str = "", kind: str = "") -> str:
    """Return a button with the key that does the same."""
    return f'<button type="button" class="btn {kind}" data-act="{act}">{text(words)}{" " + cap(cap_) if cap_ else ""}</button>'


def link(words: str, to: str, act: str, *, cap_: str = "", kind: str = "") -> str:
    """Return a link that looks like a button, with the key that follows it; ``act`` names it for the keys."""
    return (
        f'<a class="btn {kind}" href="{text(to)}" data-link="{act}">{text(words)}{" " + cap(cap_) if cap_ else ""}</a>'
    )


def plate(title: str, note: str, inner: str, *, kind: str = "") -> str:
    """Return a section that hangs from a rule; ``note`` and ``inner`` are ready for the page."""
    head = f'<div class="head"><h2>{text(title)}</h2><span class="note">{note}</span></div>'
    return f'<div class="plate {kind}">{head}{inner}</div>'
