"""The console script: finds the command, owns stderr and exit codes."""

from __future__ import annotations

import contextlib
import errno
import importlib
import os
import sys
from collections.abc import Generator
from typing import Any

import click

from preflight import __version__
from preflight.clean import clean
from preflight.errors import PreflightError

COMMANDS: dict[str, str] = {
    "demo": "The whole job on a simulated payload and card.",
    "new": "Write a flight file, checklist and roster to start from.",
    "lint": "Check flight files and checklists.",
    "walk": "Walk a flight's checklist on the screen, or step through a record again.",
    "check": "Run instrument checks without a screen.",
    "figures": "Compute the figures and what runs out first.",
    "verify": "Verify records.",
    "report": "Write a record or a checklist as HTML, PDF or CSV.",
    "audit": "Verify every record below a folder and compare flights.",
    "crew": "Keys and roster.",
    "ports": "List serial ports.",
}
"""Commands and what they do, so that the list is shown without importing any of them."""


FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
"""What an output that takes no more answers with."""


class _ReaderGoneError(Exception):
    """Whoever read our output has gone, as `| head -1` does."""


@contextlib.contextmanager
def _reader_may_go() -> Generator[None, None, None]:
    """Keeps a broken pipe from the library of the command line, which would end with 1: no-go, or bad."""
    try:
        yield
    except BrokenPipeError as error:
        raise _ReaderGoneError from error


class _Lazy(click.Group):
    """A group that imports a command's module when the command is called, not when it is listed."""

    def make_context(self, *args: Any, **more: Any) -> click.Context:
        with _reader_may_go():
            return super().make_context(*args, **more)

    def invoke(self, ctx: click.Context) -> Any:
        with _reader_may_go():
            return super().invoke(ctx)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"preflight.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean {near[0]!r}?" if near else " See 'preflight --help'."
            raise click.UsageError(f"No command {args[0]!r}.{hint}")
        return super().resolve_command(ctx, args)


@click.command(
    cls=_Lazy,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="preflight")
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Pre-flight and go/no-go for a small high-altitude balloon.

    Without a command: opens the walk for the flight file in this folder, or offers the demo. The tool advises
    a crew; local rules and the competent person decide.
    """
    if ctx.invoked_subcommand is None:
        from pathlib import Path

        from preflight.cli.walk import open_here

        open_here(Path.cwd())


def main() -> None:
    """Run, and turn what goes wrong into a sentence on stderr and an exit code."""
    sys.exit(run(sys.argv[1:]))


def run(args: list[str]) -> int:
    """Run one command line; the exit code."""
    try:
        result = cli.main(args=args, prog_name="preflight", standalone_mode=False)
    except click.exceptions.Abort:
        return _complain("stopped", 130)
    except click.ClickException as error:
        error.show(sys.stderr)
        return error.exit_code
    except PreflightError as error:
        return _complain(str(error), error.exit_code)
    except _ReaderGoneError:
        _write_no_more()
        return 141
    except KeyboardInterrupt:
        return _complain("stopped", 130)
    except OSError as error:
        if error.errno in FULL:
            _write_no_more()
            why = f"can't write any more ({error.strerror})"
            return _complain(f"{why}: free some space or write elsewhere, and run this again", 2)
        if isinstance(error, PermissionError) and error.filename is not None:
            shown = clean(os.fsdecode(error.filename), limit=300)
            return _complain(f"{shown}: give yourself the right to it, or name another ({error.strerror})", 2)
        # EIO: the terminal itself is gone, and with it anybody to tell.
        return 141 if error.errno == errno.EIO else _complain(_defect(error), 70)
    except Exception as error:  # noqa: BLE001 - the last line before a user would see a traceback
        return _complain(_defect(error), 70)
    return result if isinstance(result, int) else 0


def _write_no_more() -> None:
    """Lets go of what stdout did not take: Python would try it once more on the way out, and complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _complain(sentence: str, code: int) -> int:
    click.echo(f"preflight: {sentence}", err=True)
    return code


def _defect(error: Exception) -> str:
    """A defect of this tool in one line; where it happened goes to a file, without any local variable."""
    import traceback

    from platformdirs import user_log_path

    told = f"a defect of this tool: {type(error).__name__}"
    with contextlib.suppress(OSError):
        log = user_log_path("preflight", ensure_exists=True) / "defects.log"
        with log.open("a", encoding="utf-8") as file:
            file.write("".join(traceback.format_exception(error)))
        told += f"; details in {log}"
    return told
