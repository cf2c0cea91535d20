"""A user's text in a CSV file that no spreadsheet runs as a formula, and the same text again when it is read.

A cell that begins with = + - @, a tab or a line break (also their full-width forms) may be taken for a formula. It is given an
apostrophe, which spreadsheets show as it stands (OWASP, CSV Injection; their advice to quote and double quotation marks is what
csv does). The same after a semicolon or tab inside a cell: elsewhere those part cells. One apostrophe more where some stand there
already, so that reading takes exactly one away. In a workbook texts are stored as texts; nothing is needed there.
"""

from __future__ import annotations

import re

_PLACE, _START = r"(^|[;\t\r\n])", r"(?='*[=+\-@\t\r\n＝＋－＠])"
_RISKY = re.compile(_PLACE + _START)
_GUARDED = re.compile(_PLACE + "'" + _START)


def harmless(text: str) -> bool:
    """True where nothing in a text could begin a formula; told at once, also of many names put together."""
    return not any(mark in text for mark in "=+-@\t\r\n＝＋－＠")


def guarded(text: str) -> str:
    """`=SUM(A1)` as `'=SUM(A1)`; what no spreadsheet would run as it is."""
    return _RISKY.sub(r"\1'", text)


def unguarded(text: str) -> str:
    """What was guarded, as it was: unguarded(guarded(x)) == x for every x."""
    return _GUARDED.sub(r"\1", text) if "'" in text else text
