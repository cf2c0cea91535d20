"""Spoil a reader's input for some minutes, guided by what it reaches, and keep what is neither read nor refused.

    pip install atheris
    python -m tests.fuzz.run sights --minutes 3
    python -m tests.fuzz.run --minutes 2               # every reader in turn

New failures come into tests/fuzz/corpus/READER/, one file for each place in our sources where they arise; the normal tests
replay that folder. Slow ones count as failures.
"""

from __future__ import annotations

import argparse
import hashlib
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path

CORPUS = Path(__file__).parent / "corpus"
SLOW = 5.0  # s
LONGEST = 20_000  # bytes


def main() -> None:
    """Each reader in a process of its own: the fuzzer never returns."""
    from tests.fuzz.readers import READERS

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("readers", nargs="*", choices=[*READERS, []], metavar="READER")
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.inside:
        return fuzz(given.readers[0], given.minutes)
    for reader in given.readers or READERS:
        words = ["-m", "tests.fuzz.run", reader, "--minutes", str(given.minutes), "--inside"]
        done = subprocess.run([sys.executable, *words], capture_output=True, text=True, check=False)
        runs = [line for line in done.stderr.splitlines() if line.startswith("Done")]
        print(f"{reader}: {runs[-1] if runs else done.stderr[-500:]}", *done.stdout.splitlines(), sep="\n  ")
    return None


def fuzz(reader: str, minutes: float) -> None:
    """Feed one reader; its failures are written down as they come."""
    try:
        import atheris
    except ImportError:
        raise SystemExit("atheris is not installed: pip install atheris") from None
    with atheris.instrument_imports(include=["hubtack.io"]):
        from tests.fuzz.readers import READERS, refusal, seeds
    assert reader in READERS
    seen: set[str] = set()

    def one(data: bytes) -> None:
        begun = time.monotonic()
        where = ""
        with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
            try:
                refusal(reader, data, Path(folder))
            except Exception as error:
                frames = [f for f in traceback.extract_tb(error.__traceback__) if "fuzz" not in f.filename]
                ours = [f for f in frames if "/io/" in f.filename or "/adjust/" in f.filename]
                at = (ours or frames)[-1]
                where = f"{type(error).__name__} at {Path(at.filename).name}:{at.lineno}: {error}"[:200]
        key = where.partition(": ")[0]
        if not where and time.monotonic() - begun > SLOW:
            key = where = "slow"
        if where and key not in seen:
            seen.add(key)
            folder_of = CORPUS / reader
            folder_of.mkdir(parents=True, exist_ok=True)
            (folder_of / hashlib.sha256(data).hexdigest()[:8]).write_bytes(data)
            print(where, flush=True)

    with tempfile.TemporaryDirectory() as start:
        for k, seed in enumerate(seeds(reader)):
            (Path(start) / str(k)).write_bytes(seed)
        options = [f"-max_total_time={60.0 * minutes:.0f}", f"-max_len={LONGEST}", "-rss_limit_mb=2000"]
        options.append(f"-artifact_prefix={start}/")  # its own copies: what counts is written above
        atheris.Setup([sys.argv[0], *options, start], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
