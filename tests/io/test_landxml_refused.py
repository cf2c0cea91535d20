"""LandXML files that want too much, or were spoilt: refused in words, in bounded time."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.io.foreign import SAMPLES
from tests.io.foreign_xml import job_beside, survey_xml
from tests.io.found_xml import faults, written

from hubtack.io.faults import Fault, Faults
from hubtack.io.job import read_job
from hubtack.io.writers import landxml

ENTITY_BOMB = (
    '<?xml version="1.0"?>\n<!DOCTYPE LandXML [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY {c} "{f"&{b};" * 10}">' for b, c in zip("abcdefghij", "bcdefghijk", strict=True))
    + ']>\n<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2"><Project name="&k;"/>&k;</LandXML>'
)
OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE LandXML [<!ENTITY x SYSTEM "file:///etc/hostname">]>'
    '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2"><Project>&x;</Project></LandXML>'
)


@pytest.mark.parametrize(
    "data",
    [
        ENTITY_BOMB.encode(), ENTITY_BOMB.encode("utf-16"), OUTSIDE.encode(), b"<LandXML>" * 100_000, b"<html/>", b"\0\1\2",
        b'<?xml version="1.0" encoding="klingon"?><LandXML/>', b"<LandXML",
        b'<LandXML xmlns="http://www.landxml.org/schema/LandXML-2.0"/>',
        b'<LandXML a="' + b"x" * 20_000_000 + b'"/>',
    ],
    ids=["entities", "entities in UTF-16", "a file from outside", "nesting", "another root", "bytes", "encoding", "cut", "2.0",
         "an attribute of 20 MB"],
)  # fmt: skip
def test_what_is_refused(data: bytes, tmp_path: Path) -> None:
    file = tmp_path / "day.xml"
    file.write_bytes(data)
    start = time.monotonic()
    (found,) = faults(file)
    assert found.code in ("RUN435", "RUN436", "RUN437")
    assert len(str(found)) < 1000
    assert time.monotonic() - start < 30.0  # a guard against hanging, wide for a busy machine


def test_the_library_may_be_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "day.xml").write_text(survey_xml("by-hand"), encoding="utf-8")
    monkeypatch.setitem(sys.modules, "lxml", None)
    (found,) = faults(tmp_path / "day.xml")
    assert (found.code, 'pip install "hubtack[landxml]"' in found.wanted) == ("RUN434", True)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_mutated_file_is_read_or_refused_in_words(data: st.DataObject, tmp_path: Path) -> None:
    """Own files and foreign ones, cut or overwritten anywhere."""
    own = data.draw(st.booleans())
    if own and not (tmp_path / "out").exists():
        written(SAMPLES / "by-hand", tmp_path / "out")
    content = bytearray(
        (tmp_path / "out" / landxml.FILE).read_bytes() if own else survey_xml("by-hand").encode()
    )
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(content)))
        junk = data.draw(
            st.one_of(
                st.binary(max_size=3), st.sampled_from([b'"', b"<", b"1", b"-", b"/>", b"true", b"1e999"])
            )
        )
        content[at : at + data.draw(st.integers(0, 25))] = junk
    if own:
        path = tmp_path / "mutated.xml"
        path.write_bytes(content)
    else:
        path = job_beside("by-hand", tmp_path / "mutated", "")
        (path / "day.xml").write_bytes(content)
    found: list[Fault] = []
    try:
        read_job(path)
    except Faults as refused:
        found = refused.faults
    assert all(f.code and f.found for f in found)
