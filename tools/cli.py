"""The ``mastread`` command: its group, and how it ends when something is wrong.

Only light modules are imported here, so that ``mastread --help`` is quick; each command loads
what it needs when it runs.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from typing import Any, Final

import click

from mastread.decoder.words import NOTICE
from mastread.tools.cli_book import book
from mastread.tools.cli_demo import demo
from mastread.tools.cli_desk import desk
from mastread.tools.cli_explain import explain
from mastread.tools.cli_quiz import quiz
from mastread.tools.cli_read import read
from mastread.tools.cli_schema import schema
from mastread.tools.cli_shelf import shelf
from mastread.tools.leds.cli import leds
from mastread.tools.texts import one_line, say

#: Exit status of a wrong call, and of one that was stopped by Ctrl-C (common practice).
WRONG_CALL: Final = 2
INTERRUPTED: Final = 130


class Commands(click.Group):
    """A group whose errors are one line on stderr, without usage text or traceback."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        """Run a command and leave the process with its exit status."""
        try:
            status = super().main(
                args,
                prog_name or "mastread",
                complete_var,
                standalone_mode=False,
                windows_expand_args=windows_expand_args,
                **extra,
            )
        except click.exceptions.NoArgsIsHelpError as error:
            error.show()
            sys.exit(WRONG_CALL)
        except click.ClickException as error:
            click.echo(f"mastread: {one_line(error.format_message())}", err=True)
            sys.exit(error.exit_code)
        except (click.Abort, KeyboardInterrupt):
            click.echo(f"mastread: {say('interrupted')}", err=True)
            sys.exit(INTERRUPTED)
        except BrokenPipeError:
            # Whoever read our output has had enough; nothing may be flushed to it at exit.
            sys.stdout = None
            sys.exit(1)
        sys.exit(status if isinstance(status, int) else 0)


@click.group(
    name="mastread",
    cls=Commands,
    epilog=NOTICE,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
)
@click.version_option(package_name="mastread", prog_name="mastread")
def cli() -> None:
    """Tell what railway signals showed in a photo or a video, and what it means."""


for command in (read, explain, demo, book, schema, shelf, desk, quiz, leds):
    cli.add_command(command)


def main() -> None:
    """Entry point of the ``mastread`` command."""
    # A request to end is handled like Ctrl-C, so that nothing half-written stays behind.
    signal.signal(signal.SIGTERM, _interrupt)
    cli()


def _interrupt(signum: int, frame: object) -> None:
    raise KeyboardInterrupt


if __name__ == "__main__":
    main()
