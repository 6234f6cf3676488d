"""SVG as text: elements with escaped attributes and no styles of their own, so a strict policy holds."""

from __future__ import annotations

from html import escape


def element(tag: str, *children: str, **attributes: object) -> str:
    """One element; children are markup already (see `text`), attributes are escaped. `_` at the end of a
    name is dropped, inside it becomes a hyphen; None leaves the attribute out."""
    told = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{escape(_short(value))}"'
        for name, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{told}>{''.join(children)}</{tag}>" if children else f"<{tag}{told}/>"


def text(x: float, y: float, words: str, cls: str = "", anchor: str | None = None) -> str:
    """Words at a point; anchor: start (default), middle, end."""
    return element("text", escape(words), x=x, y=y, class_=cls or None, text_anchor=anchor)


def path_of(points: list[tuple[float, float]]) -> str:
    """The path data of a polyline, one digit after the point."""
    return "M" + "L".join(f"{_short(x)} {_short(y)}" for x, y in points)


def _short(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.1f}".rstrip("0").rstrip(".")
    return str(value)
