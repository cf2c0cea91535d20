"""What stands inside report.html besides words: data for its script, the script, and the policy that lets nothing else run."""

from __future__ import annotations

import json
import re
from base64 import b64encode
from hashlib import sha256
from pathlib import Path
from typing import Any

TEMPLATES = Path(__file__).parents[1] / "templates" / "report"
SCRIPTS = ("tables.js", "view.js", "map.js", "page.js")
STYLES = ("page.css", "print.css")
# Embeddings, overrides and isolates would turn the words that follow a name around; marks of direction do not.
_TURNING = re.compile("[\u202a-\u202e\u2066-\u2069]")
_COMMENT = re.compile(
    r"^[ \t]*//.*\n|^[ \t]+|\n(?=\n)", re.MULTILINE
)  # of scripts: with their indentation, blank lines
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


def visible(text: str) -> str:
    """Text with what would act unseen made seen: `[U+202E]` for an override of the direction, `[U+0000]` for a control."""
    if text.isascii() and text.isprintable():
        return text
    return _CONTROL.sub(_named, _TURNING.sub(_named, text))


def json_text(value: Any) -> str:
    """JSON that can stand inside a script element whatever its strings hold: `<`, U+2028 and U+2029 are escaped."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def script() -> str:
    """The page's own script, its files one after the other in a scope of their own."""
    parts = [_COMMENT.sub("", (TEMPLATES / name).read_text(encoding="utf-8")).strip() for name in SCRIPTS]
    return '(function(){"use strict";\n' + "\n".join(parts) + "\n})();"


def css() -> str:
    """The page's own rules."""
    return "\n".join((TEMPLATES / name).read_text(encoding="utf-8").strip() for name in STYLES)


def policy(script_text: str, css_text: str) -> str:
    """Content-Security-Policy: this script and these rules by their hash, pictures inside the page, and nothing else."""
    return (
        f"default-src 'none'; script-src '{_hash(script_text)}'; style-src '{_hash(css_text)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return f"sha256-{b64encode(sha256(text.encode('utf-8')).digest()).decode('ascii')}"


def _named(match: re.Match[str]) -> str:
    return f"[U+{ord(match[0]):04X}]"
