"""The ``earwitness`` command.

Each command lives in its own module under :mod:`abx.commands` and is imported only
when it is called, so that ``earwitness --help`` answers at once.
"""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import click

__all__ = ["COMMANDS", "cli", "main"]

#: Command name -> (module, one-line help). The order is the order of the work.
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("abx.commands.demo", "Build and run a complete demonstration study."),
    "new": ("abx.commands.new", "Start a study of your own."),
    "desk": ("abx.commands.desk", "Prepare and follow a study in a browser."),
    "add": ("abx.commands.add", "Add measured stages or music to a study."),
    "measure": ("abx.commands.measure", "Turn pink-noise recordings into a response table."),
    "stages": ("abx.commands.stages", "Show how far each stage is from the target."),
    "render": ("abx.commands.render", "Render level-matched stimuli from the measured stages."),
    "excerpts": ("abx.commands.excerpts", "Find the excerpts of a track that tell most."),
    "hear": ("abx.commands.hear", "Listen to the stages with their names."),
    "plan": ("abx.commands.plan", "Show the schedule: who hears what, how long it takes."),
    "open": ("abx.commands.open", "Open the study: draw and seal its schedule."),
    "serve": ("abx.commands.serve", "Open the study to listeners in a browser."),
    "booth": ("abx.commands.booth", "Lead one listener through the study at this machine."),
    "simulate": ("abx.commands.simulate", "Rehearse with simulated listeners."),
    "status": ("abx.commands.status", "Show counts and balance by listener, no results."),
    "export": ("abx.commands.export", "Write the trial table and the stage table."),
    "analyse": ("abx.commands.analyse", "Analyse a trial table into one JSON file."),
    "report": ("abx.commands.report", "Write the report that opens offline."),
    "verify": ("abx.commands.verify", "Re-check files, schedule, log and results."),
    "close": ("abx.commands.close", "Close the study and reveal the schedule's seed."),
    "withdraw": ("abx.commands.withdraw", "Remove the answers of somebody who asks for it."),
    "passphrase": ("abx.commands.passphrase", "Set the passphrase of the staff page."),
    "completion": ("abx.commands.completion", "Print the lines that make your shell complete."),
}

EXIT_FAILED = 1
EXIT_USAGE = 2
EXIT_INTERRUPTED = 130


class _Commands(click.Group):
    """A group that imports a command's module when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(COMMANDS[cmd_name][0]).command
        _accept_everywhere(command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Resolve a command; a mistyped name is answered with the nearest one."""
        import difflib

        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else " See 'earwitness --help'."
            ctx.fail(f"there is no command '{args[0]}'.{hint}")
        if args:
            _log_start(args[0])
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


def _set_quiet(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value:
        ctx.find_root().ensure_object(dict)["quiet"] = True


def _set_log(ctx: click.Context, _param: click.Parameter, value: Path | None) -> None:
    if value is not None and not ctx.resilient_parsing:
        _log_to(value)
        if ctx.parent is not None:
            _log_start(str(ctx.info_name))


def _common_options() -> list[click.Option]:
    """Return ``--quiet`` and ``--log``: taken before the command's name and after it."""
    quiet = click.Option(
        ["-q", "--quiet"],
        is_flag=True,
        expose_value=False,
        callback=_set_quiet,
        help="Print results and errors only.",
    )
    log = click.Option(
        ["--log"],
        type=click.Path(dir_okay=False, path_type=Path),
        expose_value=False,
        callback=_set_log,
        help="Also write a log with details to this file.",
    )
    return [quiet, log]


def _accept_everywhere(command: click.Command) -> None:
    names = {param.name for param in command.params}
    command.params += [option for option in _common_options() if option.name not in names]


def _version() -> str:
    try:
        return version("earwitness")
    except PackageNotFoundError:  # running from a checkout that was never installed
        return "not installed"


def _print_version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        click.echo(f"earwitness {_version()}")
        ctx.exit()


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_print_version,
    help="Show the version and stop.",
)
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Hear upgrade stages level-matched and blind; know what to do first, and how sure.

    Start with 'earwitness demo', then 'earwitness new MY-STUDY'.
    """
    ctx.ensure_object(dict)
    if "NO_COLOR" in os.environ:
        ctx.color = False


cli.params += _common_options()


def _log_to(path: Path) -> None:
    """Write what is done into a file, beside the earlier lines; results stay on the screen."""
    import logging

    try:
        handler = logging.FileHandler(path, encoding="utf-8")
    except OSError as error:
        raise click.BadParameter(
            f"cannot write {path}: {error.strerror}. Name a file in a folder that exists",
            param_hint="--log",
        ) from error
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s %(message)s"))
    root = logging.getLogger()
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    for name in ("alembic", "httpx", "matplotlib", "fontTools", "uvicorn.access"):
        # Chatter; and an address that was asked for holds the key of somebody's sitting.
        logging.getLogger(name).setLevel(logging.WARNING)


def _log_start(name: str) -> None:
    # Not the arguments: a passphrase or a database's password may be among them.
    _log("INFO", f"earwitness {_version()}: {name}, in {Path.cwd()}")


def _log(level: str, text: str) -> None:
    """Log a line when a log was asked for; without one, do not even load the module."""
    logging = sys.modules.get("logging")
    if logging is not None and logging.getLogger().handlers:
        logging.getLogger("earwitness").log(getattr(logging, level), text)


def main(args: Sequence[str] | None = None) -> None:
    """Run the command line and exit with 0, 1 (the work failed) or 2 (bad input).

    Parameters
    ----------
    args : sequence of str, optional
        Arguments without the program name; ``sys.argv`` when omitted.
    """
    code = _run(list(args) if args is not None else None)
    _log("INFO", f"ended with exit code {code}")
    sys.exit(code)


def _run(args: list[str] | None) -> int:
    try:
        if "_EARWITNESS_COMPLETE" in os.environ:  # the shell asks; click answers and exits
            cli.main(args=args, prog_name="earwitness", complete_var="_EARWITNESS_COMPLETE")
        outcome = cli.main(args=args, prog_name="earwitness", standalone_mode=False)
    except (click.exceptions.Abort, KeyboardInterrupt):
        click.echo("\nStopped. Run the same command again to go on.", err=True)
        _log("WARNING", "stopped by the user")
        return EXIT_INTERRUPTED
    except click.ClickException as error:
        error.show()
        _log("ERROR", error.format_message())
        return error.exit_code
    except BrokenPipeError:  # the reader of our output (head, less) went away
        sys.stdout = open(os.devnull, "w")
        return EXIT_FAILED
    except Exception as error:  # the last guard: a listener or shop never sees a traceback
        return _explain(error)
    return outcome if isinstance(outcome, int) else 0


def _explain(error: Exception) -> int:
    _log("ERROR", str(error))
    from abx.errors import AbxError, InputError

    if isinstance(error, InputError):
        click.echo(f"earwitness: {error}", err=True)
        return EXIT_USAGE
    if isinstance(error, AbxError):  # a sentence meant for people
        click.echo(f"earwitness: {error}", err=True)
        return EXIT_FAILED
    if isinstance(error, OSError) and error.filename is not None:
        click.echo(f"earwitness: {error.filename}: {error.strerror}.", err=True)
        return EXIT_FAILED
    trace = _save_trace(error)
    click.echo(
        f"earwitness: an unexpected fault: {type(error).__name__}: {error}\n"
        f"Nothing that was stored is lost. The details are in {trace}; please pass them on.",
        err=True,
    )
    return EXIT_FAILED


def _save_trace(error: Exception) -> str:
    import logging
    import tempfile
    import traceback

    if logging.getLogger().handlers:  # else the last-resort handler would print a traceback
        logging.getLogger("earwitness").error("unexpected fault", exc_info=error)
    with tempfile.NamedTemporaryFile(
        "w", prefix="earwitness-fault-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        traceback.print_exception(error, file=file)
    return file.name


if __name__ == "__main__":
    main()
