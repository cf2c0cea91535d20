"""job.toml: every fault with its line and column."""

from __future__ import annotations

import math

import pytest

from hubtack.io.faults import Fault, FaultList
from hubtack.io.readers.jobfile import JobFile, read_jobfile
from hubtack.io.readers.tomlplaces import TomlPlaces

INSTRUMENT = 'direction = "1 arcsec"\nzenith = "1 arcsec"\n'


def read(text: str) -> tuple[JobFile, list[Fault]]:
    faults = FaultList()
    job = read_jobfile(text, faults)
    return job, faults.faults


@pytest.mark.parametrize(
    ("text", "line", "column", "code", "words"),
    [
        # syntax
        ("format = 1\nname = no quotes\n", 2, 8, "JOB101", "not TOML"),
        ('format = 1\n[job]\nname = "a\n', 3, 10, "JOB101", "not TOML"),
        ("format = 1\n[job]\n[job]\n", 3, 5, "JOB101", "not TOML"),
        ("format = 1\nformat = 1\n", 2, 11, "JOB101", "not TOML"),
        ("format = 1\n[site", 2, 1, "JOB101", "not TOML"),
        ("format = " + "[" * 3000, 1, 1, "JOB101", ""),
        ("format = " + "9" * 5000, 1, 1, "JOB101", ""),
        # format
        ('[job]\nname = "x"\n', 1, 1, "JOB102", "Add format = 1"),
        ("format = 2\n", 1, 10, "JOB102", "Write format = 1"),
        ('format = "1"\n', 1, 10, "JOB102", "Write format = 1"),
        # keys
        ("format = 1\n[sites]\n", 2, 2, "JOB103", 'Is "site" meant?'),
        ("format = 1\n[suports.a]\nkind = 1\n", 2, 2, "JOB103", 'Is "supports" meant?'),
        ("format = 1\nname = 3\n", 2, 1, "JOB103", "key name"),
        ("format = 1\n[site]\n  refracton = 0.2\n", 3, 3, "JOB103", 'Is "refraction" meant?'),
        ('format = 1\n[targets]\na = {constand = "1 mm"}\n', 3, 6, "JOB103", 'Is "constant" meant?'),
        ('format = 1\n[targets.a]\nmode = "prism"\n"x y" = 1\n', 4, 2, "JOB103", "Known are mode, constant"),
        (
            f'format = 1\n[instruments.a]\n{INSTRUMENT}distanc = "1 mm"\n',
            2,
            1,
            "JOB104",
            "[instruments.a] has no distance",
        ),
        ('format = 1\n[supports.p]\nheight = "taped"\n', 2, 1, "JOB104", 'kind = "stand" (or pole'),
        ('format = 1\nsupports = {p = {height = "taped"}}\n', 2, 17, "JOB104", "no kind"),
        ('format = 1\n[[decision]]\nleave_out = "sight 1"\n', 2, 1, "JOB104", "decision 1 has no reason"),
        ('format = 1\n[supports.""]\nkind = "pole"\n', 2, 1, "JOB116", "can't be a name"),
        ('format = 1\n[targets."a "]\n', 2, 11, "JOB116", "blanks at the ends"),
        # values
        ('format = 1\n[units]\nlength = "feet"\n', 3, 10, "JOB105", "m, ft, us-ft"),
        ('format = 1\n[site]\ncorrelation = "Shared"\n', 3, 15, "JOB105", 'is "shared" meant'),
        ('format = 1\n[supports.p]\nkind = "tripod"\n', 3, 8, "JOB105", "tribrach"),
        ('format = 1\n[site]\nreference_height = "12"\n', 3, 20, "JOB106", "has no unit"),
        ("format = 1\n[site]\nreference_height = 12\n", 3, 20, "JOB106", "12 has no unit"),
        ('format = 1\n[targets.a]\nconstant = "17,5 mm"\n', 3, 12, "JOB106", "decimal mark"),
        ('format = 1\n[supports.p]\nkind = "pole"\nbubble = "60 mm"\n', 4, 10, "JOB106", "arcsec"),
        ('format = 1\n[supports.p]\nkind = "pole"\nplummet = "-1 mm"\n', 4, 11, "JOB106", "negative"),
        ('format = 1\n[supports.p]\nkind = "pole"\nplummet = "nan mm"\n', 4, 11, "JOB106", "not a length"),
        ("format = 1\n[site]\nrefraction = nan\n", 3, 14, "JOB107", "finite"),
        ("format = 1\n[site]\nrefraction = true\n", 3, 14, "JOB107", "a number"),
        ('format = 1\n[site]\nrefraction = "0.13"\n', 3, 14, "JOB107", "a number"),
        ("format = 1\n[job]\nname = 5\n", 3, 8, "JOB107", "text"),
        ("format = 1\nsite = 5\n", 2, 8, "JOB107", "table"),
        ("format = 1\ninstruments = []\n", 2, 15, "JOB107", "table"),
        ("format = 1\n[decision]\nreason = 'x'\n", 2, 1, "JOB107", "list"),
        ('format = 1\n[datum]\nmarks = ["A", 5]\n', 3, 15, "JOB107", "text"),
        ('format = 1\n[relative]\npairs = [["A", "B"], ["C"]]\n', 3, 22, "JOB107", "pair"),
        ("format = 1\n[site]\nscale_factor = 2.0\n", 3, 16, "JOB108", "between 0.9 and 1.1"),
        ("format = 1\n[tests]\nalpha = 0.001\nconfidence = 95\n", 4, 14, "JOB108", "between 0.5"),
        ("format = 1\n[tests]\npower = 1\n", 3, 9, "JOB108", "power"),
        ("format = 1\n[tests]\nunchecked_ratio = 0\n", 3, 19, "JOB108", "unchecked_ratio"),
        # later
        ('format = 1\n[include]\nfiles = "x"\n', 3, 9, "JOB107", "is not a list"),
        ('format = 1\n[deliver]\nwrite = ["layout", "dfx"]\n', 3, 20, "JOB105", '"dxf" meant'),
        ('format = 1\n[deliver]\nwrite = "layout"\n', 3, 9, "JOB107", "list"),
        ('format = 1\n[deliver]\nwirte = ["layout"]\n', 3, 1, "JOB103", '"write"'),
        ('format = 1\ninclude = ["a"]\n', 2, 11, "JOB107", "is not a table"),
    ],
)
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_a_fault_and_its_place(text: str, line: int, column: int, code: str, words: str, ending: str) -> None:
    """With either line ending; a comment with a header in it before all else changes nothing but the line."""
    faults = read(("# [site]\n" + text).replace("\n", ending))[1]
    assert faults
    first = faults[0] if code != "JOB101" else faults[-1]
    whole_file = text.startswith("format = [[[") or (code, column) == ("JOB102", 1)
    shift = 0 if whole_file else 1
    assert (first.file, first.row, first.column, first.code) == ("job.toml", line + shift, column, code)
    assert words in str(first)


def test_all_faults_at_once_and_the_rest_is_kept() -> None:
    job, faults = read(
        'format = 1\n[units]\nlength = "ft"\n[site]\nrefraction = "x"\nscale_factor = 0.9996\n[tests]\npower = 7\n'
        '[supports.a]\nkind = "pole"\n[supports.b]\nkind = "?"\n'
    )
    assert [(f.row, f.code) for f in faults] == [(5, "JOB107"), (12, "JOB105"), (8, "JOB108")]
    assert job.units.length == "ft"
    assert job.settings.scale_factor == 0.9996
    assert job.settings.refraction == 0.13
    assert list(job.supports) == ["a", "b"]
    assert job.supports["b"] is None


def test_values_in_si() -> None:
    job, faults = read(
        'format = 1\n[site]\nreference_height = "100 ft"\nrefraction_sigma = 0.3\n[instruments.a]\n'
        'direction = "1 mgon"\nzenith = "2 arcsec"\ndistance = "2 mm + 3 ppm"\nindex_sigma = "3 arcsec"\n'
        'distance_scale_sigma = "5 ppm"\n[tests]\nalpha = 0.01\n'
    )
    assert faults == []
    assert job.settings.reference_height == pytest.approx(30.48)
    assert job.settings.refraction_sigma == 0.3
    assert job.settings.alpha == 0.01
    instrument = job.instruments["a"]
    assert instrument is not None
    assert instrument.direction == pytest.approx(math.pi / 200_000)
    assert instrument.zenith == pytest.approx(2 * math.pi / 648_000)
    assert instrument.distance == pytest.approx((0.002, 3e-6))
    assert instrument.distance_scale_sigma == pytest.approx(5e-6)
    assert instrument.reflectorless is None


def test_places_of_nested_things() -> None:
    """Against offsets found by hand in the text."""
    text = (
        "[a]\n"
        'b.c = "x"  # b.c again\n'
        "[[d]]\n"
        "e = [1, [2, 3]]\n"
        "[[d]]\n"
        'e = { f = 1, "g h" = 2 }\n'
        "[ a . q ]\n"
        "z = '''\n"
        "[d]\n"
        "'''\n"
        "y = 5\n"
    )
    places = TomlPlaces(text)
    assert places.value(("a", "b", "c")) == (2, 7)
    assert places.value(("d", 0, "e", 1, 0)) == (4, 10)
    assert places.value(("d", 1, "e", "g h")) == (6, 22)
    assert places.key(("d", 1, "e", "f")) == (6, 7)
    assert places.table(("d", 1)) == (5, 1)
    assert places.table(("a", "q")) == (7, 1)
    assert places.value(("a", "q", "y")) == (11, 5)
    assert places.table(("nothing", "here")) == (1, 1)
