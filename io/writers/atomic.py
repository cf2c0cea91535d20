"""Files that appear whole or not at all.

Everything a run delivers is first written to a temporary folder beside `out/`, flushed to the disk, and then
changes places with `out/` in one step of the file system. Killed at any moment, `out/` holds the last good
result or the new one, never a mixture.

- Linux: renameat2 with RENAME_EXCHANGE; macOS: renamex_np with RENAME_SWAP. Both are one indivisible step.
- Elsewhere, and on file systems that know no exchange: `out/` is renamed aside and the new folder renamed
  into its place. Killed between the two, `out/` is missing and the last good result stands beside it under
  the name of `set_aside`; the next run puts it back before it does anything else.
- The first run needs no exchange: the folder is renamed into place.

Files in `out/` that are not ours are kept: they are linked (or, where links are not possible, copied) into
the new folder. A temporary folder left by a killed run is removed by the next one; a lock tells it from one
in use.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import re
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

if sys.platform != "win32":
    import fcntl

_MARK = ".hubtack-new-"
_AT_FDCWD = -100  # Linux: paths are relative to the folder worked in
_EXCHANGE = 2  # RENAME_EXCHANGE on Linux and RENAME_SWAP on macOS are both 2
LONG = 1 << 20  # bytes of a result.json of which only the ends are read
_STALE_AFTER = 3600.0  # s; where folders can't be locked, an older temporary folder counts as abandoned


class Refused(Exception):  # noqa: N818  (named by what it says)
    """The output folder can't be used; `wanted` says what would be right."""

    def __init__(self, code: str, found: str, wanted: str) -> None:
        self.code, self.found, self.wanted = code, found, wanted
        super().__init__(f"{found} {wanted}")


def set_aside(out: Path) -> Path:
    """Where the last good result stands for a moment where the file system knows no exchange."""
    return out.parent / f".{out.name}.hubtack-old"


def check_out(out: Path, job_folder: Path, force: bool) -> None:
    """Raise Refused unless results may be written to `out`.

    Refused are: the job folder itself, a folder inside it other than its own `out`, a folder that contains
    the job or the one worked in, and a folder with files but no earlier result in it (unless `force`).
    """
    out, job_folder = out.resolve(), job_folder.resolve()
    if out == job_folder:
        wanted = "Name another folder: raw tables stay alone."
        raise Refused("RUN404", f"{_quoted(out)} is the job folder itself.", wanted)
    if job_folder in out.parents and out != job_folder / "out":
        wanted = "Leave --out away (JOB/out), or name a folder elsewhere."
        raise Refused("RUN404", f"{_quoted(out)} lies inside the job folder.", wanted)
    places = ((job_folder, "the job"), (Path.cwd(), "the folder you work in"), (Path.home(), "your home"))
    for place, words in places:
        if out == place.resolve() or out in place.resolve().parents:
            wanted = "Name a folder of its own for the results."
            raise Refused("RUN404", f"{_quoted(out)} is, or contains, {words}.", wanted)
    if not out.parent.is_dir():
        wanted = "Make it first, or name another --out."
        raise Refused("RUN405", f"{_quoted(out.parent)} does not exist.", wanted)
    if not os.path.lexists(out):
        return
    if not out.is_dir():
        raise Refused("RUN405", f"{_quoted(out)} is a file.", "Name a folder.")
    try:
        foreign = any(out.iterdir()) and _result(out) is None
    except OSError as error:
        wanted = "Mend its permissions, or name another --out."
        raise Refused("RUN405", f"{_quoted(out)} can't be read: {_words(error)}.", wanted) from error
    if foreign and not force:
        raise Refused(
            "RUN403", f"{_quoted(out)} holds files, but no result of an earlier run.",
            "Name another --out, or add --force: those files are then kept beside the results.",
        )  # fmt: skip


def publish(out: Path, ours: Iterable[str], write: Callable[[Path], None]) -> None:
    """Call `write(temporary folder)` and put what it wrote in the place of `out`, in one step.

    `ours` are the names of the files that a run writes; whatever else lies in `out` is kept.
    Raises Refused where the disk does not take it (full, read-only, no permission); `out` is then as it was.
    """
    out = out.resolve()
    try:
        _recover(out)
        _sweep(out)
        with _temporary(out) as new:
            write(new)
            _flush(new)
            known = set(ours) | _written_before(out)
            if out.is_dir():
                _no_folder_in_the_way(out, new)
                _keep_foreign(out, new, known)
                _flush_folder(new)
            _into_place(new, out, known)
    except OSError as error:
        wanted = "Nothing was changed. Free space, mend permissions, or name another --out."
        raise Refused("RUN405", f"{_quoted(out)} can't be written: {_words(error)}.", wanted) from error


@contextlib.contextmanager
def _temporary(out: Path) -> Iterator[Path]:
    """A locked temporary folder beside `out`; what is left under its name afterwards is removed."""
    new = out.parent / f".{out.name}{_MARK}{os.getpid()}"
    shutil.rmtree(new, ignore_errors=True)
    new.mkdir()
    lock = _lock(new)
    try:
        yield new
    finally:
        if lock is not None:
            os.close(lock)
        shutil.rmtree(new, ignore_errors=True)


def _lock(folder: Path) -> int | None:
    """An open, locked handle of a folder; None if another process holds it or folders can't be locked."""
    if sys.platform == "win32":
        return None
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def _sweep(out: Path) -> None:
    """Remove temporary folders that killed runs left."""
    own = f".{out.name}{_MARK}{os.getpid()}"
    for folder in out.parent.glob(f".{_globbed(out.name)}{_MARK}*"):
        if folder.name == own:
            continue
        if sys.platform == "win32":
            if _age(folder) > _STALE_AFTER:
                shutil.rmtree(folder, ignore_errors=True)
            continue
        lock = _lock(folder)
        if lock is not None:
            # A run that lives may not have locked its folder yet, or be removing the old one under this name.
            if not _alive(folder.name.rpartition("-")[2]) or _age(folder) > _STALE_AFTER:
                shutil.rmtree(folder, ignore_errors=True)
            os.close(lock)


def _age(folder: Path) -> float:
    try:
        return time.time() - folder.stat().st_mtime
    except OSError:  # gone already
        return 0.0


def _alive(process: str) -> bool:
    try:
        os.kill(int(process), 0)
    except (ProcessLookupError, ValueError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


def _recover(out: Path) -> None:
    """Put the last good result back if a run was killed between two renames; else drop what was set aside."""
    old = set_aside(out)
    if not old.is_dir():
        return
    if os.path.lexists(out):
        _rescue(old, out, _written_before(out))
        shutil.rmtree(old, ignore_errors=True)
    else:
        os.rename(old, out)


def _into_place(new: Path, out: Path, known: set[str]) -> None:
    if not os.path.lexists(out):
        os.rename(new, out)
    elif exchange(new, out):
        _rescue(new, out, known)  # `new` is now the name of the old folder
    else:
        old = set_aside(out)
        os.rename(out, old)
        try:
            os.rename(new, out)
        except OSError:
            os.rename(old, out)
            raise
        _rescue(old, out, known)
        shutil.rmtree(old, ignore_errors=True)
    _flush_folder(out.parent)


def exchange(one: Path, other: Path) -> bool:
    """Let two folders change places in one step. False where this system or file system can't."""
    if sys.platform not in ("linux", "darwin"):
        return False
    libc = ctypes.CDLL(None, use_errno=True)
    a, b = os.fsencode(one), os.fsencode(other)
    try:
        if sys.platform == "linux":
            failed = libc.renameat2(_AT_FDCWD, a, _AT_FDCWD, b, ctypes.c_uint(_EXCHANGE))
        else:
            failed = libc.renamex_np(a, b, ctypes.c_uint(_EXCHANGE))
    except AttributeError:  # a C library older than the call
        return False
    if failed:
        number = ctypes.get_errno()
        if number in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP):
            return False
        raise OSError(number, os.strerror(number), str(other))
    return True


def _result(folder: Path) -> dict[str, object] | None:
    """result.json of an earlier run in `folder`, None if there is none of ours."""
    path = folder / "result.json"
    try:
        if path.stat().st_size > LONG:
            return _ends_of(path)
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return document if isinstance(document, dict) and document.get("format") == 1 else None


def _ends_of(path: Path) -> dict[str, object] | None:
    """Format and names from the first and the last lines of a long result, which need not be read for them."""
    with path.open("rb") as file:
        head = file.read(LONG // 16)
        file.seek(-(LONG // 16), os.SEEK_END)
        tail = file.read()
    last = re.search(rb',\n "written": (\[[^\n]*\])\n}\n$', tail)
    if not head.startswith(b'{\n "format": 1,\n') or last is None:
        return None
    return {"format": 1, "written": json.loads(last[1])}


def _written_before(folder: Path) -> set[str]:
    """Names of the files that the earlier run says it wrote: an older version may have written other ones."""
    names = (_result(folder) or {}).get("written")
    return {n for n in names if isinstance(n, str)} if isinstance(names, list) else set()


def _is_folder(path: Path) -> bool:
    """Whether it is a folder itself, and so not a file that a run wrote, whatever its name."""
    return path.is_dir() and not path.is_symlink()


def _no_folder_in_the_way(out: Path, new: Path) -> None:
    """Raises Refused where somebody's folder stands under the name of a file that was written."""
    for item in new.iterdir():
        if _is_folder(out / item.name):
            found = f"{_quoted(out / item.name)} is a folder, and a file of that name is to be written."
            raise Refused("RUN405", found, "Nothing was changed. Move the folder, or name another --out.")


def _keep_foreign(old: Path, new: Path, known: set[str]) -> None:
    for item in old.iterdir():
        place = new / item.name
        if (item.name in known and not _is_folder(item)) or os.path.lexists(place):
            continue
        if item.is_dir() and not item.is_symlink():
            shutil.copytree(item, place, symlinks=True, copy_function=_link_or_copy)
        else:
            _link_or_copy(str(item), str(place))


def _rescue(old: Path, new: Path, known: set[str]) -> None:
    """Move over what somebody put into the old folder after its files had been gone through."""
    with contextlib.suppress(OSError):
        for item in old.iterdir():
            if (item.name not in known or _is_folder(item)) and not os.path.lexists(new / item.name):
                os.rename(item, new / item.name)


def _link_or_copy(source: str, place: str) -> str:
    try:
        os.link(source, place, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(source, place, follow_symlinks=False)
    return place


def _flush(folder: Path) -> None:
    for path in folder.iterdir():
        handle = os.open(path, os.O_RDWR)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    _flush_folder(folder)


def _flush_folder(folder: Path) -> None:
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError):  # some file systems can't open or flush a folder
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _globbed(name: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _words(error: OSError) -> str:
    return (error.strerror or str(error)).lower()


def _quoted(path: Path) -> str:
    return f'"{path}"'
