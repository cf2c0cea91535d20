"""Where a key of a TOML text stands: line and column, both counted from 1.

The standard parser gives no places. They are wanted only when there is a fault, and tomlkit is imported only
then: the value at a path is exchanged for a sentinel, the text is written out, and that is looked for.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

Path = tuple[str | int, ...]
Place = tuple[int, int]

_HEADER = re.compile(r"[ \t]*(\[\[?)([^\n]+?)\]\]?[ \t]*(?:#.*)?")
_SENTINEL = "the-place-that-is-looked-for"


class TomlPlaces:
    """Finds keys, values and table headers in a TOML text that tomllib has read."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._headers: list[tuple[Path, Place]] | None = None

    def value(self, path: Path) -> Place:
        """The value at a path such as ("instruments", "ts-a", "zenith"); else its table's header."""
        offset = self._offset(path)
        if offset is not None:
            return self._place(offset)
        return self.table(path)

    def key(self, path: Path) -> Place:
        """The key at a path; for a table its name in the first header that bears it."""
        for header, (line, column) in self._all_headers():
            if header[: len(path)] == path:
                row = self.text.split("\n")[line - 1]
                return line, max(row.find(str(path[-1]), column - 1), 0) + 1
        offset = self._offset(path)
        if offset is None:
            return self.table(path[:-1])
        start = self.text.rfind("\n", 0, offset) + 1
        found = self.text.rfind(str(path[-1]), start, offset)
        return self._place(found if found >= 0 else offset)

    def table(self, path: Path) -> Place:
        """The header of the table at a path, or of the table around it; else the first line."""
        for length in range(len(path), 0, -1):
            for header, place in self._all_headers():
                if header == path[:length] or (length == len(path) and header[:length] == path):
                    return place
            offset = self._offset(path[:length])
            if offset is not None:
                return self._place(offset)
        return 1, 1

    def _place(self, offset: int) -> Place:
        return self.text.count("\n", 0, offset) + 1, offset - self.text.rfind("\n", 0, offset)

    def _all_headers(self) -> list[tuple[Path, Place]]:
        if self._headers is None:
            self._headers = []
            counts: dict[Path, int] = {}
            for number, line in enumerate(self.text.split("\n"), 1):
                match = _HEADER.fullmatch(line)
                names = _dotted(match[2]) if match else None
                if match is None or names is None:
                    continue
                path: Path = names
                if match[1] == "[[":
                    counts[names] = counts.get(names, -1) + 1
                    path = (*names, counts[names])
                self._headers.append((path, (number, match.start(1) + 1)))
        return self._headers

    def _offset(self, path: Path) -> int | None:
        """Offset of the value at a path; None for a table with a header, and where it can't be told."""
        import tomlkit

        if any(header == path for header, _ in self._all_headers()):
            return None
        try:
            container: Any = tomlkit.parse(self.text)
            document = container
            for step in path[:-1]:
                container = container[step]
            if isinstance(container[path[-1]], tomlkit.items.Table | tomlkit.items.AoT):
                return None
            container[path[-1]] = _SENTINEL
            offset: int = tomlkit.dumps(document).find(f'"{_SENTINEL}"')
        except Exception:  # whatever it is: a place that can't be found must not hide the fault itself
            return None
        return offset if 0 <= offset <= len(self.text) else None


def syntax_place(error: Exception, text: str) -> tuple[Place, str]:
    """Place and message of a syntax error of tomllib; the last line where it says "end of document"."""
    message = str(error)
    match = re.search(r"\s*\(at line (\d+), column (\d+)\)", message)
    if match:
        return (int(match[1]), int(match[2])), message[: match.start()]
    return (text.rstrip().count("\n") + 1, 1), message.replace(
        " (at end of document)", " at the end of the text"
    )


def _dotted(inner: str) -> Path | None:
    """`instruments."ts a"` as a path; None where it is no header."""
    try:
        found: Any = tomllib.loads(f"[{inner}]")
    except ValueError:
        return None
    names: list[str] = []
    while isinstance(found, dict) and found:
        name, found = next(iter(found.items()))
        names.append(name)
    return tuple(names)
