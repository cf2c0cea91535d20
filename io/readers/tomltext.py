"""Texts as job.toml writes them."""

from __future__ import annotations

import json


def toml(text: str) -> str:
    """A text in quotation marks, as TOML and JSON both write it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
