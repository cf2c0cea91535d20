"""New jobs: a small sample that runs at once, or the four tables of a field book, written out for correction.

A folder appears whole or not at all, and nothing that is there already is ever overwritten.
"""

from __future__ import annotations

import csv
import os
import shutil
import tempfile
from collections.abc import Iterable
from io import StringIO
from pathlib import Path
from typing import Any

from hubtack.adjust.trouble import Trouble
from hubtack.io.guard import guarded
from hubtack.io.readers.columns import TABLES, TEXTS
from hubtack.io.readers.jobfile import JobFile, read_jobfile
from hubtack.io.readers.tables import TextTable

from .faults import Fault, FaultList, Faults, Nearest, listed
from .readers.bookfile import Book, parse_book, read_text
from .readers.guess import WORDS, Guess, guess, hits
from .readers.source import Source
from .readers.tomltext import toml
from .units import quoted

SAMPLE = Path(__file__).parent / "templates" / "new"
_KINDS = (
    ("pole", ("pole", "rod", "staff", "bipod")), ("tribrach", ("tripod", "tribrach", "legs")), ("stand", ("stand",)),
    ("bolt", ("bolt", "pillar", "adapter")), ("adhesive", ("adhesive", "sticker", "paper", "board")),
)  # fmt: skip


def sample(folder: Path) -> list[str]:
    """Copy the sample into a new folder. Raises Faults where the folder holds something."""
    names = sorted(p.name for p in SAMPLE.iterdir())
    _create(folder, {name: (SAMPLE / name).read_text(encoding="utf-8") for name in names})
    return [f"A small job is in {folder}: {', '.join(names)}."]


def from_file(path: Path, folder: Path, told: dict[str, str]) -> list[str]:
    """Write the tables of a field book, a sheet, a LandXML file or a job that names one into a new folder; what was
    guessed, in lines.

    `told` maps keys of [columns] to headers and goes before every guess. Raises Faults.
    """
    _refuse_full(folder)
    faults = FaultList()
    if not os.path.exists(path):
        near = Nearest(p.name for p in path.parent.glob("*")).find(path.name)
        wanted = (
            f'Is "{path.parent / near}" meant?' if near else "Name a field book, a LandXML file or a job."
        )
        raise Faults([Fault(str(path), 0, "", "RUN412", "There is no such file", wanted)])
    source = _job_at(path)
    if source is not None:
        files, words = _job_files(source, faults)
    elif path.suffix.lower() == ".xml":
        from .readers.landxml import as_tables

        text, tables, words = as_tables(path, faults)
        files = {"job.toml": text} | {f"{name}.csv": as_csv(table) for name, table in tables.items()}
    else:
        book, words = _book(path, faults)
        files = {}
        if book is not None:
            files = _files(book, path, told, faults, words)
    faults.raise_if_any()
    _create(folder, files)
    return [*words, f"Written into {folder}: {', '.join(sorted(files))}."]


def _job_at(path: Path) -> Source | None:
    """The folder or workbook at a path, if it is a job already."""
    if path.is_dir():
        from .readers.folder import FolderSource

        return FolderSource(path)
    if path.suffix.lower() == ".xlsx":
        from .readers.workbook import WorkbookSource, holds_job

        return WorkbookSource(path) if holds_job(path) else None
    return None


def _inline(job: JobFile, document: Any) -> None:
    """What included files say, put into job.toml itself: a new folder lies elsewhere, and may travel alone."""
    import tomlkit

    from .readers.jobkeys import NAMED
    from .writers.devices import keys_of, written

    for section in NAMED:
        for name, spec in getattr(job, section).items():
            if section not in document:
                document.add(section, tomlkit.table(is_super_table=True))
            if name not in document[section]:
                document[section].add(name, tomlkit.table())
            for key, (kind, value) in keys_of(spec).items():
                if key not in document[section][name]:
                    document[section][name].add(key, tomlkit.parse(f"x = {written(kind, value)}")["x"])
    for keys, owner, _ in job.together:
        if owner is not job:
            if "together" not in document:
                document.add("together", tomlkit.aot())
            one = tomlkit.table()
            one.add("constants", list(keys.constants))
            one.add("correlation", [list(r) for r in keys.correlation])
            document["together"].append(one)


def _job_files(source: Source, faults: FaultList) -> tuple[dict[str, str], list[str]]:
    """A job whose setups come from a field book, a LandXML file or sheets, as tables: with its own supports."""
    import tomlkit

    text = source.job_text(faults)
    if text is None:
        return {}, []
    job = read_jobfile(text, faults, source.beside)
    if faults:
        return {}, []
    remarks: list[Trouble] = []
    tables = source.tables(job, faults, remarks)
    document = tomlkit.parse(text.replace("\r\n", "\n"))
    for section in ("columns", "source", "include"):
        document.pop(section, None)
    if job.included:
        _inline(job, document)
    text = tomlkit.dumps(document)
    for number in sorted(job.decision_places):  # what the file itself marks as unused
        decision = job.decisions[number]
        if decision is not None:
            text += f"\n[[decision]]\nleave_out = {toml(decision.leave_out)}\n"
            text += f"reason = {toml(decision.reason)}\nby = {toml(job.decision_places[number])}\n"
    files = {"job.toml": text} | {f"{name}.csv": as_csv(table) for name, table in tables.items()}
    return files, [r.text for r in remarks if r.code not in ("REM524", "REM525")]


def _book(path: Path, faults: FaultList) -> tuple[Book | None, list[str]]:
    """The book, and what had to be guessed to read it."""
    if path.suffix.lower() == ".xlsx":
        from .readers.workbook import sheet_as_book

        return sheet_as_book(path, "", hits, faults, {}), []
    trial = FaultList()
    text = read_text(path, "", trial, {})
    words = []
    if text is None and any(f.code == "RUN431" for f in trial.faults):
        text = read_text(path, "windows-1252", faults, {})
        words = ["the encoding is taken as windows-1252: it is neither UTF-8 nor UTF-16. Look at the accents"]
    elif text is None:
        faults.faults += trial.faults
    return (None if text is None else parse_book(path.name, text, "", hits, faults)), words


def _files(
    book: Book, path: Path, told: dict[str, str], faults: FaultList, words: list[str]
) -> dict[str, str]:
    """The files of the job that a book makes."""
    for key, header in told.items():
        if key not in WORDS:
            wanted = Nearest(WORDS).advice(key, f"Known are {', '.join(WORDS)}.")
            faults.add("", 0, "", "RUN441", f"There is no key {quoted(key)} to map", wanted)
        elif header not in book.header:
            wanted = Nearest(book.header).advice(header, f"It has {listed(book.header, 20)}.")
            faults.at(book.spot(-1, None), "RUN441", f"The book has no column {quoted(header)}", wanted)
    if faults:
        return {}
    found = guess(book, told)
    if found.missing:
        text = f"No column could be taken for {' and '.join(found.missing)}"
        wanted = f"Say which it is: --map {found.missing[0].replace('a reading', 'circle')}=HEADER. "
        faults.at(book.spot(-1, None), "RUN441", text, wanted + f"The book has {listed(book.header, 20)}.")
        return {}
    words += [f"guessed: {line}" for line in found.words]
    plain_text = job_text(path.stem, book, found)
    job = read_jobfile(plain_text + _columns(book, path.name, found), faults)
    if faults:
        return {}
    from .readers.fieldbook import tables_of

    remarks: list[Trouble] = []
    tables = tables_of(book, job, None, faults, remarks)
    words += [r.text for r in remarks if r.code not in ("REM524", "REM525")]
    return {"job.toml": plain_text} | {f"{name}.csv": as_csv(table) for name, table in tables.items()}


def as_csv(table: TextTable) -> str:
    """A table as the text of a CSV file; marks get the columns in which control is stated."""
    columns = dict(table.columns)
    if table.file == "marks.csv":
        blank = [""] * len(table)
        columns |= {c: columns.get(c, blank) for c in ("east", "north", "height", "control")}
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    kinds = {c.name: c.kind for schema in TABLES.values() for c in schema}
    safe = [list(map(guarded, cells)) if kinds.get(c) in TEXTS else cells for c, cells in columns.items()]
    writer.writerows(zip(*safe, strict=True))
    return out.getvalue()


def job_text(name: str, book: Book, found: Guess) -> str:
    """job.toml for a book, with placeholders for what no book says."""

    def names(*keys: str) -> list[str]:
        columns = [book.columns[found.places[k]] for k in keys if k in found.places]
        return list(dict.fromkeys(c for column in columns for c in column if c))

    instruments = names("from_device") or ["ts-1"]
    supports = names("from_support", "to_support")
    if "from_support" not in found.places or "to_support" not in found.places:
        supports = [*supports, "tripod"] if "tripod" not in supports else supports
        supports.remove("tripod")
        supports.insert(0, "tripod")  # the first stands in for a column that the book lacks
    return assemble(name, found.length, found.angle, instruments, supports, names("to_device"))


def assemble(
    name: str,
    length: str,
    angle: str,
    instruments: Iterable[str],
    supports: Iterable[str],
    targets: Iterable[str],
) -> str:
    """The text of job.toml. Sigmas in it are placeholders, and say so."""
    parts = [f'format = 1\n\n[job]\nname = {toml(name)}\n\n[units]\nlength = "{length}"\nangle = "{angle}"\n']
    note = "# Placeholders: state the figures of the data sheet, one pointing in both faces."
    for instrument in instruments:
        parts.append(f'{note}\n[instruments.{toml(instrument)}]\ndirection = "2 arcsec"\nzenith = "2 arcsec"\n'
                     'distance = "2 mm + 2 ppm"\n')  # fmt: skip
        note = ""
    note = "# Placeholders: say what each support is, how its height comes about, and how well it centres."
    for support in supports:
        parts.append(f'{note}\n[supports.{toml(support)}]\nkind = "{_kind(support)}"\nheight = "undeclared"\n'
                     'height_sigma = "1.5 mm"\ncentring_sigma = "1 mm"\n')  # fmt: skip
        note = ""
    note = "# Placeholders: the constant is what is still to be added to recorded distances."
    for target in targets:
        if target != "prism":
            parts.append(f'{note}\n[targets.{toml(target)}]\nmode = "prism"\nconstant = "0 mm"\n')
            note = ""
    return "\n".join(part.lstrip("\n") for part in parts)


def _kind(support: str) -> str:
    word = support.casefold()
    return next((kind for kind, words in _KINDS if any(w in word for w in words)), "tribrach")


def _columns(book: Book, file: str, found: Guess) -> str:
    lines = ["", "[columns]", f"file = {toml(file)}"]
    lines += [f"{key} = {toml(book.header[place])}" for key, place in found.places.items()]
    if found.packed:
        lines.append('angle = "ddd.mmss"')
    return "\n".join(lines) + "\n"


def _refuse_full(folder: Path) -> None:
    """Raises Faults unless the folder can be made or is empty."""
    try:
        if not os.path.lexists(folder) or (folder.is_dir() and not any(folder.iterdir())):
            return
        found = "This folder holds files already" if folder.is_dir() else "This is a file"
    except (OSError, ValueError) as error:
        found = f"The folder can't be used: {getattr(error, 'strerror', None) or error}"
    raise Faults([Fault(str(folder), 0, "", "RUN442", found, "Name a new folder: nothing is overwritten.")])


def _create(folder: Path, files: dict[str, str]) -> None:
    """Make the folder with its files in one step: they are written beside it and renamed."""
    _refuse_full(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        try:
            for name, text in files.items():
                (scratch / name).write_text(text, encoding="utf-8", newline="\n")
            scratch.chmod(0o777 & ~_umask())
            if folder.is_dir():
                folder.rmdir()  # empty: _refuse_full has looked
            scratch.rename(folder)
        except BaseException:
            shutil.rmtree(scratch, ignore_errors=True)
            raise
    except (OSError, ValueError) as error:
        found = f"The folder can't be made: {getattr(error, 'strerror', None) or error}"
        raise Faults([Fault(str(folder), 0, "", "RUN405", found, "Name another place.")]) from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
