"""HTML built from parts, with every text escaped: photographed and typed words can never become markup."""

from __future__ import annotations

from html import escape

from digitise.wording import in_order

ADD = ("Add photographs", "survey")  # the way on from most empty pages
PLAN = ("No sheets yet? Plan a day and print them", "plan")
_EMPTY = ("img", "input")  # elements without content


class Markup(str):
    """A piece of finished HTML; only `tag` makes one."""

    __slots__ = ()


def in_full(error: Exception) -> str:
    """An error's words as a sentence of its own."""
    words = str(error).removesuffix(".")
    return f"{words[:1].upper()}{words[1:]}."


def tag(name: str, /, *children: str, **attributes: object) -> Markup:
    """One element. Plain strings among the children are escaped, `Markup` is kept.

    A trailing underscore in an attribute's name is dropped (``class_``), other underscores become hyphens; an attribute
    that is None is left out.

    Examples
    --------
    >>> tag("p", "a < b", tag("b", "!"), class_="note")
    '<p class="note">a &lt; b<b>!</b></p>'
    """
    shown = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(str(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inner = "".join(child if isinstance(child, Markup) else in_order(escape(str(child))) for child in children)
    return Markup(f"<{name}{shown}>" if name in _EMPTY else f"<{name}{shown}>{inner}</{name}>")


def nothing(
    title: str, *sentences: str, to: tuple[str, str] | None = None, before: tuple[str, str] | None = None
) -> Markup:
    """A calm box that says why a page is empty and what to do next.

    `to` has the words and address of a way on, `before` those of what may have to come first.
    """
    ways = (tag("p", tag("a", way[0], href=way[1], target="_self")) for way in (to, before) if way)
    return tag("div", tag("h2", title), *(tag("p", s) for s in sentences), *ways, class_="empty")
