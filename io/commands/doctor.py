"""`hubtack doctor`: what works on this machine, and the cure for what does not."""

from __future__ import annotations

import sys
from pathlib import Path

import click

COMPLETION = {
    "bash": 'eval "$(_HUBTACK_COMPLETE=bash_source hubtack)"        # into ~/.bashrc',
    "zsh": 'eval "$(_HUBTACK_COMPLETE=zsh_source hubtack)"         # into ~/.zshrc',
    "fish": "_HUBTACK_COMPLETE=fish_source hubtack | source         # into config.fish",
}


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print the answers for a program.")
@click.pass_context
def doctor(ctx: click.Context, as_json: bool) -> None:
    """Example: hubtack doctor

    Look at Python, the libraries, the extras, fonts and write access: a line each, with the cure where one is needed.

    Exit code 0: all that is needed works (extras may be missing); 2: it does not. The last lines tell how the shell
    completes hubtack's commands.
    """
    from hubtack.io.about import version
    from hubtack.io.doctor import examine
    from hubtack.io.pages.terminal import speaks_unicode

    answers = list(examine(Path.cwd()))
    bad = any(a.needed and not a.fine for a in answers)
    if as_json:
        import dataclasses
        import json

        document = {"format": 1, "version": version(), "answers": [dataclasses.asdict(a) for a in answers]}
        click.echo(json.dumps(document, ensure_ascii=False, indent=1).encode("utf-8"))
        ctx.exit(2 if bad else 0)
    yes, no = ("✓", "✗") if speaks_unicode(sys.stdout) else ("ok", "no")
    click.echo(f"hubtack {version()}")
    for answer in answers:
        cure = "" if answer.fine else f". {answer.cure}"
        words = (
            answer.words if speaks_unicode(sys.stdout) else answer.words.encode("ascii", "replace").decode()
        )
        click.echo(f"{yes if answer.fine else no}  {words}{cure}")
    click.echo("\nCompletion of commands and options in the shell:")
    for shell, line in COMPLETION.items():
        click.echo(f"  {shell:<5} {line}")
    ctx.exit(2 if bad else 0)
