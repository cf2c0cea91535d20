"""What once made a reader stumble, and sound files spoilt a little: read, or refused with faults that have codes.

`python -m tests.fuzz.run` looks for more.
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.fuzz.readers import READERS, refusal, seeds

CORPUS = Path(__file__).parent / "corpus"
KEPT = sorted(CORPUS.glob("*/*"))
MEMORY = 100_000_000  # bytes: a hundred times what the largest of them needs; a bomb takes more
BITS = (
    b"",
    b"\0",
    b"\r",
    b'"',
    b"'",
    b",",
    b";",
    b"=",
    b"\xff",
    b"\xef\xbb\xbf",
    b"nan",
    b"1e999",
    b"-",
    b"9" * 400,
    b"[" * 50,
)


def test_the_corpus_is_small_and_every_folder_a_reader() -> None:
    assert len(KEPT) > 10
    assert {p.parent.name for p in KEPT} <= set(READERS)
    assert max(p.stat().st_size for p in KEPT) < 20_000


@pytest.mark.parametrize("path", KEPT, ids=lambda p: f"{p.parent.name}-{p.name}")
def test_what_once_made_it_stumble(path: Path, tmp_path: Path) -> None:
    tracemalloc.start()
    try:
        assert refusal(path.parent.name, path.read_bytes(), tmp_path)
        assert tracemalloc.get_traced_memory()[1] < MEMORY
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("reader", READERS)
def test_a_sound_file_is_read(reader: str, tmp_path: Path) -> None:
    for k, seed in enumerate(seeds(reader)):
        folder = tmp_path / str(k)
        folder.mkdir()
        assert refusal(reader, seed, folder) == ""


@pytest.mark.parametrize("reader", [r for r in READERS if r not in ("workbook", "sheet")])
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_sound_file_spoilt_in_one_place(
    reader: str, data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    (seed,) = seeds(reader)
    at = data.draw(st.integers(0, len(seed)))
    gone = data.draw(st.sampled_from([0, 1, 2, 7, 40]))
    spoilt = seed[:at] + data.draw(st.sampled_from(BITS)) + seed[at + gone :]
    refusal(reader, spoilt, tmp_path_factory.mktemp("spoilt"))


@pytest.mark.parametrize("reader", ["sketch_csv", "geoid_csv", "points", "sights", "book"])
def test_a_cell_of_any_length(reader: str, tmp_path: Path) -> None:
    """Longer than the 131 072 characters that the standard library reads as one cell."""
    (seed,) = seeds(reader)
    head, _, rest = seed.partition(b"\n")
    assert refusal(reader, head + b"\n" + b"x" * 140_000 + b"," + rest, tmp_path)
