"""A browser without a window, for printing a page of ours: found on PATH, offline, in a profile of its own, not for long."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "chrome", "google-chrome")
PATIENCE = 180.0  # s: a page of thousands of rows takes a few
_SWITCHES = (
    "--headless", "--disable-gpu", "--no-first-run", "--no-default-browser-check", "--disable-extensions", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-default-apps", "--disable-breakpad",
    "--host-resolver-rules=MAP * ~NOTFOUND", "--no-pdf-header-footer",
)  # fmt: skip
_KEPT = ("PATH", "LANG", "LC_ALL", "SYSTEMROOT", "FONTCONFIG_PATH", "FONTCONFIG_FILE", "LD_LIBRARY_PATH")


class NotPrinted(Exception):  # noqa: N818  (named by what it says)
    """The browser did not make the file; the text says what it did instead."""


def find_browser() -> str | None:
    """The first browser on PATH that prints without a window, None if there is none."""
    return next(filter(None, map(shutil.which, NAMES)), None)


def print_pdf(browser: str, page: Path, pdf: Path, patience: float = PATIENCE) -> None:
    """Print `page`, a file, into the file `pdf`. Raises NotPrinted, also after `patience` seconds; then nothing runs on.

    The browser gets no network: names resolve to nothing, and its profile, cache and home are a temporary folder.
    """
    with tempfile.TemporaryDirectory(prefix="hubtack-print-", ignore_cleanup_errors=True) as place:
        command = [browser, *_SWITCHES, f"--user-data-dir={place}/profile", f"--print-to-pdf={pdf.resolve()}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.append("--no-sandbox")  # its sandbox does not start for root, and the page is our own
        command.append(page.resolve().as_uri())
        try:
            run = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
                env=_environment(os.environ, place), start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            raise NotPrinted(f"{browser} does not start: {(error.strerror or str(error)).lower()}") from error
        try:
            _, talk = run.communicate(timeout=patience)
        except subprocess.TimeoutExpired:
            raise NotPrinted(f"{browser} was not done after {patience:.0f} s") from None
        finally:
            _end(run)
        if not pdf.is_file() or not pdf.read_bytes().startswith(b"%PDF-"):
            lines = [line for line in talk.decode("utf-8", "replace").splitlines() if "dbus" not in line]
            said = f": {lines[-1][:200]}" if lines else ""
            raise NotPrinted(f"{browser} ended with {run.returncode} and wrote no PDF{said}")


def _environment(given: Mapping[str, str], home: str) -> dict[str, str]:
    return {name: given[name] for name in _KEPT if name in given} | {
        "HOME": home,
        "TMPDIR": home,
        "TZ": "UTC",
    }


def _end(run: subprocess.Popen[bytes]) -> None:
    """The browser and all that it started, whatever became of it."""
    if sys.platform == "win32":
        if run.poll() is None:
            run.kill()
    else:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(run.pid, signal.SIGKILL)
    with contextlib.suppress(subprocess.TimeoutExpired):
        run.wait(timeout=10.0)
    if run.stderr is not None:
        run.stderr.close()
