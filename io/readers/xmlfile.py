"""XML read with bounds: no document type, so no entities; no network; no tree without end. Elements keep their line."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.io.readers.tables import read_bytes

from ..faults import FaultList

if TYPE_CHECKING:
    from lxml.etree import _Element

MOST_BYTES = 150_000_000  # some 200 000 sights as hubtack writes them
NAMESPACES = {f"http://www.landxml.org/schema/LandXML-{v}" for v in ("1.0", "1.1", "1.2")} | {""}


def parse_landxml(path: Path, faults: FaultList, files: dict[str, str]) -> _Element | None:
    """The root of a LandXML file; None (with a fault) where there is none to be had."""
    name = path.name
    try:
        from lxml import etree
    except ImportError:
        wanted = 'Run: pip install "hubtack[landxml]"'
        faults.add(name, 0, "", "RUN434", "Reading LandXML needs the library lxml", wanted)
        return None
    data = read_bytes(path, faults)
    if data is None:
        return None
    files[name] = hashlib.sha256(data).hexdigest()
    if len(data) > MOST_BYTES:
        found = f"The file is larger than {MOST_BYTES // 1_000_000} MB"
        faults.add(name, 0, "", "RUN435", found, "Export the survey alone, without surfaces and alignments.")
        return None
    if b"<!DOCTYPE" in data.replace(b"\0", b""):
        found = "The file declares a document type, which may hold entities"
        faults.add(name, 0, "", "RUN435", found, "Export it without: LandXML needs none.")
        return None
    parser = etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        huge_tree=False,
        load_dtd=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        line, column = error.position
        found = f"This is not XML: {(error.msg or 'it ends too early')[:200]}"
        faults.add(name, max(line, 1), max(column, 0), "RUN435", found, "Export it anew.")
        return None
    except (ValueError, LookupError) as error:
        faults.add(name, 0, "", "RUN435", f"This is not XML: {str(error)[:200]}", "Export it anew.")
        return None
    if local(root) != "LandXML" or _namespace(root) not in NAMESPACES:
        found = f"The root is {root.tag[:100]!r}, not LandXML 1.0, 1.1 or 1.2"
        faults.add(name, line_of(root), "", "RUN435", found, "Export the survey as LandXML 1.2.")
        return None
    return root


def local(element: _Element) -> str:
    """The name of an element without its namespace."""
    return str(element.tag).rpartition("}")[2]


def _namespace(element: _Element) -> str:
    return str(element.tag).rpartition("}")[0].removeprefix("{")


def line_of(element: _Element) -> int:
    """The editor's line on which an element starts."""
    line = element.sourceline
    return line if isinstance(line, int) else 0


def children(parent: _Element, *names: str) -> Iterator[_Element]:
    """The children with one of these names (all, without names) in the parent's own namespace."""
    if names:
        space = _namespace(parent)
        wanted = {f"{{{space}}}{name}" if space else name for name in names}
        yield from (child for child in parent if child.tag in wanted)
        return
    yield from (c for c in parent if isinstance(c.tag, str) and _namespace(c) == _namespace(parent))


def first(parent: _Element | None, *path: str) -> _Element | None:
    """The first element along a path of names."""
    for name in path:
        if parent is None:
            return None
        space = _namespace(parent)
        parent = next(parent.iterchildren(f"{{{space}}}{name}" if space else name), None)
    return parent


def everywhere(parent: _Element, *names: str) -> Iterator[_Element]:
    """The descendants with one of these names, in the order of the file."""
    space = _namespace(parent)
    tags = [f"{{{space}}}{name}" if space else name for name in names]
    yield from parent.iter(*tags)


def properties(feature: _Element) -> dict[str, str]:
    """The Property elements of a Feature; of equal labels the first."""
    found: dict[str, str] = {}
    for each in children(feature, "Property"):
        found.setdefault(str(each.get("label", "")), str(each.get("value", "")))
    return found
