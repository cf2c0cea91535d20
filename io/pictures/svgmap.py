"""A drawing as SVG inside a page: styled by classes, so that it follows light, dark and print."""

from __future__ import annotations

import math
from html import escape

from hubtack.io.pictures.drawing import STYLES, Drawing, Shape, Symbol


def svg(drawing: Drawing, title: str, description: str) -> str:
    """The drawing as one `svg` element that scales with the page. All text is escaped.

    Needs the rules of `style()` on the page.
    """
    h = drawing.height
    parts = [
        f'<svg class="map" viewBox="0 0 {_n(drawing.width)} {_n(h)}" role="img" aria-labelledby="map-title map-desc" '
        'xmlns="http://www.w3.org/2000/svg">',
        f'<title id="map-title">{escape(title)}</title><desc id="map-desc">{escape(description)}</desc>',
    ]
    for style in STYLES:
        chosen = [p for p in drawing.lines if p.style == style]
        if chosen:
            path = "".join(f"M{_n(p.x1)} {_n(h - p.y1)}L{_n(p.x2)} {_n(h - p.y2)}" for p in chosen)
            parts.append(f'<path class="{style}" d="{path}"/>')
    for e in drawing.ellipses:
        turn = -math.degrees(e.turn)  # y runs downwards here
        parts.append(
            f'<ellipse class="ellipse" cx="{_n(e.x)}" cy="{_n(h - e.y)}" rx="{_n(e.first)}" ry="{_n(e.second)}" '
            f'transform="rotate({_n(turn)} {_n(e.x)} {_n(h - e.y)})"/>'
        )
    parts += [_symbol(s, h) for s in drawing.symbols]
    for t in drawing.texts:
        look = " ".join(filter(None, ("halo" if t.halo else "", "bold" if t.bold else "")))
        kind = f' class="{look}"' if look else ""
        anchor = f' text-anchor="{t.anchor}"' if t.anchor != "start" else ""
        parts.append(
            f'<text x="{_n(t.x)}" y="{_n(h - t.y + 0.35 * t.size)}" font-size="{_n(t.size)}"{kind}{anchor}>'
            f"{escape(t.words)}</text>"
        )
    return "\n".join([*parts, "</svg>"])


def style() -> str:
    """The rules that a page needs for its map. `--ink` and `--paper` are the page's own colours."""
    rules = [
        ".map text{fill:var(--ink);font-family:sans-serif}.map .bold{font-weight:bold}",
        ".map .halo{paint-order:stroke;stroke:var(--paper);stroke-width:2px;stroke-opacity:.8}",
        ".map .solid{fill:var(--ink);stroke:var(--ink)}",
        ".map .hollow{fill:var(--paper);stroke:var(--ink);stroke-width:1.1}",
        ".map .open{fill:none;stroke:var(--ink);stroke-width:.9}",
    ]
    for name, (colour, width, dashes, fill) in STYLES.items():
        stroke = "var(--ink)" if name in ("axis", "bar", "leader") else colour
        dash = f";stroke-dasharray:{dashes[0]:g} {dashes[1]:g}" if dashes else ""
        inside = f"{fill};fill-opacity:.6" if fill else "none"
        rules.append(f".map .{name}{{stroke:{stroke};stroke-width:{width:g};fill:{inside}{dash}}}")
    return "".join(rules)


def _symbol(s: Symbol, height: float) -> str:
    x, y, r = s.x, height - s.y, s.size / 2.0
    name = f"<title>{escape(s.name)}</title>" if s.name else ""
    if s.shape in ("circle", "ring"):
        look = "hollow" if s.shape == "circle" else "open"
        return f'<circle class="{look}" cx="{_n(x)}" cy="{_n(y)}" r="{_n(r)}">{name}</circle>'
    look = "hollow" if s.shape == "open-triangle" else "open" if s.shape in ("cross", "stick") else "solid"
    return f'<path class="{look}" d="{_outline(s.shape, x, y, r)}">{name}</path>'


def _outline(shape: Shape, x: float, y: float, r: float) -> str:
    corners: dict[str, tuple[tuple[float, float], ...]] = {
        "triangle": ((0, -r), (r, r), (-r, r)),
        "open-triangle": ((0, -r), (r, r), (-r, r)),
        "down": ((0, r), (r, -r), (-r, -r)),
        "square": ((-r, -r), (r, -r), (r, r), (-r, r)),
        "diamond": ((0, -r), (r, 0), (0, r), (-r, 0)),
    }
    if shape == "stick":
        return f"M{_n(x)} {_n(y - r)}V{_n(y + r)}"
    if shape == "cross":
        return f"M{_n(x - r)} {_n(y - r)}L{_n(x + r)} {_n(y + r)}M{_n(x - r)} {_n(y + r)}L{_n(x + r)} {_n(y - r)}"
    return "M" + "L".join(f"{_n(x + a)} {_n(y + b)}" for a, b in corners[shape]) + "Z"


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
