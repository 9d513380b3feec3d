"""Ask for what a command lacks: at a terminal one after the other, otherwise all in one sentence."""

from __future__ import annotations

import sys

import click


def supply(error: click.MissingParameter, argv: list[str]) -> list[str] | None:
    """Return the arguments completed by what was typed at a terminal; None after a sentence that names all.

    argv: what was typed after `steadyram`. Raises click.Abort when the person stops.
    """
    context = error.ctx
    if context is None or error.param is None:
        click.echo(error.format_message(), err=True)
        return None
    missing = _missing(context, error.param, argv)
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        said = error.format_message() if len(missing) == 1 else f"Missing: {', '.join(map(_words, missing))}."
        click.echo(f"{said} (see {context.command_path} --help)", err=True)
        return None
    more = list(argv)
    for parameter in missing:
        typed = str(click.prompt(_words(parameter), err=True))
        more += [parameter.opts[0], typed] if isinstance(parameter, click.Option) else [typed]
    return more


def _missing(context: click.Context, first: click.Parameter, argv: list[str]) -> list[click.Parameter]:
    """Return the required parameters that were not given, the one that click names among them."""
    groups = len(context.command_path.split()) - 1
    try:
        given, _, _ = context.command.make_parser(context).parse_args(list(argv[groups:]))
    except click.UsageError:
        return [first]
    # Click's own mark of a value that was not given differs between its versions; what was given is text.
    lacking = [
        each
        for each in context.command.get_params(context)
        if each.required
        and not isinstance(given.get(str(each.name)), str | list | tuple | bool)
        and each.value_from_envvar(context) is None
    ]
    return lacking if first in lacking else [first]


def _words(parameter: click.Parameter) -> str:
    if not isinstance(parameter, click.Option):
        return parameter.make_metavar(
            click.get_current_context(silent=True) or click.Context(click.Command(""))
        )
    help_text = (parameter.help or "").rstrip(".")
    return f"{parameter.opts[0]} ({help_text})" if help_text else parameter.opts[0]
