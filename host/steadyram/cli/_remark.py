"""Remarks beside a command's answer."""

from __future__ import annotations

import sys

import click


def remark_at_end(text: str) -> None:
    """Write a remark on standard error once the command is done; an error has its one sentence alone."""

    def tell() -> None:
        ending = sys.exc_info()[1]
        if ending is None or (isinstance(ending, click.exceptions.Exit) and ending.exit_code == 0):
            click.echo(text, err=True)

    click.get_current_context().call_on_close(tell)
