"""One line a file: DEVELOPERS.md quotes the first sentence of every module, so the fact has one place.

python -m tests.files_page          writes the section anew
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "DEVELOPERS.md"
START, END = "<!-- files: python -m tests.files_page -->", "<!-- end of files -->"


def first_sentence(path: Path) -> str:
    """The first sentence of a module's docstring, on one line."""
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    paragraph = " ".join(re.split(r"\n\s*\n", text)[0].split())
    sentence = re.match(r"(.+?)\.(\s+[A-Z(`]|$)", paragraph)
    return (sentence.group(1) if sentence else paragraph).rstrip(".:;")


def section() -> str:
    """The tables of all modules of adjust/ and io/, a room at a time."""
    lines: list[str] = []
    for folder in ("adjust", "io"):
        rooms: dict[Path, list[Path]] = {}
        for path in sorted((ROOT / folder).rglob("*.py")):
            if "__pycache__" not in path.parts and first_sentence(path):
                rooms.setdefault(path.parent, []).append(path)
        for room in sorted(rooms):
            lines += [
                "",
                f"**{room.relative_to(ROOT).as_posix()}**",
                "",
                "| file | what it holds |",
                "|---|---|",
            ]
            for path in rooms[room]:
                words = first_sentence(path).replace("|", "\\|")
                lines.append(f"| `{path.relative_to(ROOT).as_posix()}` | {words} |")
    return "\n".join(lines) + "\n"


def write() -> None:
    """Put the section between its marks in DEVELOPERS.md."""
    before, rest = PAGE.read_text(encoding="utf-8").split(START)
    after = rest.split(END)[1]
    PAGE.write_text(f"{before}{START}\n{section()}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    write()
