"""Which hubtack this is. Stands here, not in the installed metadata, since reading that costs a fifth of a
small job."""

from __future__ import annotations

VERSION = "0.1.0"  # the same as in pyproject.toml: tests/io/test_cli.py compares


def version() -> str:
    """The version of the code that runs."""
    return VERSION
