"""A drawing as SVG: inside a page, styled by classes so that it follows light, dark and print, or as a file of its own."""

from __future__ import annotations

import math
import re
from html import escape

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.io.numerals import shared
from hubtack.io.pages.embed import visible
from hubtack.io.pictures.drawing import STYLES, Drawing, Shape, Symbol

# What a file of its own is drawn in; a page has its own colours.
_PAPER = ":root{--ink:#111;--paper:#fff}svg{background:#fff}"
_NO_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")  # not even escaped
# What stood on a mark is coloured as well as shaped; a page has its own colours for dark and for print.
STOOD = {
    "tribrach": "#00735a",
    "stand": "#b34700",
    "pole": "#0b5394",
    "bolt": "#9c3f78",
    "adhesive": "#8a5a00",
}


def svg_file(drawing: Drawing, title: str, description: str) -> str:
    """The drawing as an SVG file: it needs nothing beside it, and runs nothing."""
    text = svg(drawing, title, description)
    head, _, rest = text.partition(">")
    size = f' width="{_n(drawing.width)}pt" height="{_n(drawing.height)}pt">'
    rest = _NO_XML.sub("?", rest)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{head}{size}\n<style>{_PAPER}{style()}</style>{rest}\n'


def svg(drawing: Drawing, title: str, description: str, name: str = "map") -> str:
    """The drawing as one `svg` element that scales with the page. All text is escaped.

    Needs the rules of `style()` on the page. `name` makes its ids: another one for every drawing of a page.
    """
    h = drawing.height
    name = escape(name)
    still = " still" if name == "map" else ""  # beside a live map
    parts = [
        f'<svg class="map{still}" viewBox="0 0 {_n(drawing.width)} {_n(h)}" role="img" '
        f'aria-labelledby="{name}-title {name}-desc" xmlns="http://www.w3.org/2000/svg">',
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-desc">{escape(description)}</desc>',
    ]
    for look in ("band", "area"):
        path = "".join(_polygon(a.corners, h) for a in drawing.areas if a.style == look)
        if path:
            parts.append(f'<path class="{look}" d="{path}"/>')
    for style in STYLES:
        chosen = [p for p in drawing.lines if p.style == style]
        if chosen:
            path = "".join(_line(p.x1, h - p.y1, p.x2, h - p.y2) for p in chosen)
            parts.append(f'<path class="{style}" d="{path}"/>')
    for e in drawing.ellipses:
        degrees = -math.degrees(e.turn)  # y runs downwards here
        parts.append(
            f'<ellipse class="ellipse" cx="{_n(e.x)}" cy="{_n(h - e.y)}" rx="{_n(e.first)}" ry="{_n(e.second)}" '
            f'transform="rotate({_n(degrees)} {_n(e.x)} {_n(h - e.y)})"/>'
        )
    parts += _dots(drawing, h)
    parts += [_symbol(s, h) for s in drawing.symbols if s.shape != "dot"]
    for t in drawing.texts:
        look = " ".join(filter(None, ("halo" if t.halo else "", "bold" if t.bold else "")))
        kind = f' class="{look}"' if look else ""
        anchor = f' text-anchor="{t.anchor}"' if t.anchor != "start" else ""
        turn = f' transform="rotate({_n(-t.turn)} {_n(t.x)} {_n(h - t.y)})"' if t.turn else ""
        parts.append(
            f'<text x="{_n(t.x)}" y="{_n(h - t.y + 0.35 * t.size)}" font-size="{_n(t.size)}"{kind}{anchor}{turn}>'
            f"{escape(visible(t.words))}</text>"
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
        *(f".map .s-{k}{{fill:var(--{k},{v});stroke:var(--{k},{v})}}" for k, v in STOOD.items()),
        ".map .open[class*=s-]{fill:none;stroke-width:1.2}",
        ".map .flag{fill:#d55e00;stroke:var(--ink);stroke-width:.8}",
        ".map .dot{fill:none;stroke:#0072b2;stroke-linecap:round}",
    ]
    for name, (colour, width, dashes, fill) in STYLES.items():
        stroke = "var(--ink)" if name in ("axis", "bar", "leader", "limit") else colour
        dash = f";stroke-dasharray:{dashes[0]:g} {dashes[1]:g}" if dashes else ""
        inside = f"{fill};fill-opacity:.6" if fill else "none"
        rules.append(f".map .{name}{{stroke:{stroke};stroke-width:{width:g};fill:{inside}{dash}}}")
    return "".join(rules)


_LOOKS = {"open-triangle": "hollow", "open-down": "hollow", "cross": "open", "stick": "open", "flag": "flag"}


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    a, b, c, d = map(_n, (x1, y1, x2, y2))
    return f"M{a} {b}" + (f"H{c}" if b == d else f"V{d}" if a == c else f"L{c} {d}")


def _dots(drawing: Drawing, h: float) -> list[str]:
    """Plain dots, which may be thousands: strokes without length, one path a size."""
    sizes: dict[float, list[Floats]] = {}
    for s in drawing.symbols:
        if s.shape == "dot":
            sizes.setdefault(s.size, []).append(np.array([[s.x, h - s.y]]))
    for dots in drawing.dots:
        sizes.setdefault(dots.size, []).append(np.column_stack([dots.x, h - dots.y]))
    paths = []
    for width, points in sorted(sizes.items()):
        # each from the one before, in tenths of a point: half the bytes
        steps = np.diff(np.rint(10.0 * np.vstack(points)), axis=0, prepend=0.0).astype(np.int64)
        x, y = (shared(c, lambda tenths: [f"{k / 10:g}" for k in tenths]).tolist() for c in steps.T)
        d = "".join([f"m{a} {b}h0" for a, b in zip(x, y, strict=True)]).replace(" -", "-")
        if d:
            paths.append(f'<path class="dot" stroke-width="{_n(width)}" d="{d}"/>')
    return paths


def _polygon(corners: tuple[tuple[float, float], ...], h: float) -> str:
    return "M" + "L".join(f"{_n(x)} {_n(h - y)}" for x, y in corners) + "Z"


def _symbol(s: Symbol, height: float) -> str:
    x, y, r = s.x, height - s.y, s.size / 2.0
    name = f"<title>{escape(visible(s.name))}</title>" if s.name else ""
    if s.shape in ("circle", "ring"):
        look = "hollow" if s.shape == "circle" else "open"
        return f'<circle class="{look}" cx="{_n(x)}" cy="{_n(y)}" r="{_n(r)}">{name}</circle>'
    look = _LOOKS.get(s.shape, "solid") + (f" s-{s.stood}" if s.stood else "")
    return f'<path class="{look}" d="{_outline(s.shape, x, y, r)}">{name}</path>'


def _outline(shape: Shape, x: float, y: float, r: float) -> str:
    corners: dict[str, tuple[tuple[float, float], ...]] = {
        "triangle": ((0, -r), (r, r), (-r, r)),
        "open-triangle": ((0, -r), (r, r), (-r, r)),
        "down": ((0, r), (r, -r), (-r, -r)),
        "square": ((-r, -r), (r, -r), (r, r), (-r, r)),
        "open-down": ((0, r), (r, -r), (-r, -r)),
        "diamond": ((0, -r), (r, 0), (0, r), (-r, 0)),
        "flag": ((0, -1.3 * r), (1.3 * r, 0), (0, 1.3 * r), (-1.3 * r, 0)),
    }
    if shape == "stick":
        return f"M{_n(x)} {_n(y - r)}V{_n(y + r)}"
    if shape == "cross":
        return f"M{_n(x - r)} {_n(y - r)}L{_n(x + r)} {_n(y + r)}M{_n(x - r)} {_n(y + r)}L{_n(x + r)} {_n(y - r)}"
    return "M" + "L".join(f"{_n(x + a)} {_n(y + b)}" for a, b in corners[shape]) + "Z"


def _n(value: float) -> str:
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text
