"""`steadyram batch verdict`: what people say of a part; add, list, withdraw. Nothing is deleted."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Literal

import click
from rich.table import Table

from steadyram.cli._inputs import INTEGER_MOST
from steadyram.cli._session import err, json_option, out, plain, print_json
from steadyram.cli.cycles import store_option, uid_option
from steadyram.errors import BadInput

number_option = click.option(
    "--number", type=click.IntRange(1, INTEGER_MOST), required=True, help="Its number, as listed."
)
why_option = click.option("--why", required=True, help="Why it is withdrawn.")


def checked_text(text: str, option: str, most: int, *, needed: bool = False) -> None:
    """Refuse a text that is too long or cannot be printed. Raises BadInput."""
    if len(text) > most or not (text.isprintable() or not text) or (needed and not text.strip()):
        raise BadInput(f"{option} is {1 if needed else 0} to {most} printable signs.")


def withdraw_row(
    store: str | Path,
    uid: str | None,
    what: Literal["verdict", "part_test"],
    number: int,
    why: str,
    by: str,
    *,
    as_json: bool,
) -> None:
    """Withdraw one verdict or test and say so. Raises BadInput."""
    from steadyram.cycles.judgements import judge_since
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore, Withdrawal

    checked_text(why, "--why", 400, needed=True)
    checked_text(by, "--by", 60)
    with CycleStore(store, create=False) as opened:
        chosen = choose_device(opened, uid)
        opened.withdraw(chosen, what, number, Withdrawal(why.strip(), by, int(time.time())))
        if what == "verdict":
            judge_since(opened, chosen, 0)
    name = "Verdict" if what == "verdict" else "Test"
    if as_json:
        print_json({"uid": chosen, "number": number, "withdrawn": why.strip()})
        return
    err().print(f"{name} {number} is withdrawn; it stays listed with the reason.")


@click.group("verdict")
def verdict_group() -> None:
    """What people say of a part: good or bad, with the reason."""


@verdict_group.command()
@store_option
@uid_option
@click.option(
    "--record", "seqs", type=click.IntRange(1, INTEGER_MOST), required=True, multiple=True,
    help="Number of the part's record; repeatable.",
)  # fmt: skip
@click.option("--good/--bad", "good", required=True, help="What the part is.")
@click.option("--why", default="", help="What was seen.")
@click.option("--by", default="", help="Who looked.")
@json_option
def add(
    store: str | Path, uid: str | None, seqs: tuple[int, ...], good: bool, why: str, by: str, as_json: bool
) -> None:
    """Say of parts that they are good or bad.

    Eight good parts confirm the envelope of a job."""
    from steadyram.cycles.judgements import judge_since
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore, Verdict

    checked_text(why, "--why", 400)
    checked_text(by, "--by", 60)
    word = "good" if good else "bad"
    with CycleStore(store, create=False) as opened:
        chosen = choose_device(opened, uid)
        for seq in seqs:
            if next(opened.cycles(chosen, seq, seq), None) is None:
                raise BadInput(f"{opened.path} has no record {seq} of device {chosen}; pull it first.")
        for seq in seqs:
            opened.add_verdict(chosen, Verdict(seq, word, why, by, int(time.time())))
        # What teaches the envelope has changed: what was said of the job's parts may change with it.
        judge_since(opened, chosen, min(seqs) - 1)
    if as_json:
        print_json({"uid": chosen, "seqs": list(seqs), "verdict": word})
        return
    err().print(f"{len(seqs)} part{'' if len(seqs) == 1 else 's'} noted as {word}.")


@verdict_group.command("list")
@store_option
@uid_option
@json_option
def list_(store: str | Path, uid: str | None, as_json: bool) -> None:
    """List verdicts with their numbers, the withdrawn ones too."""
    from steadyram.cycles.select import choose_device
    from steadyram.cycles.store import CycleStore

    with CycleStore(store, create=False) as opened:
        found = opened.verdicts(choose_device(opened, uid))
    if as_json:
        print_json(
            {
                "verdicts": [
                    {
                        "number": each.number,
                        "seq": each.seq,
                        "verdict": each.verdict,
                        "why": each.why,
                        "by": each.by,
                        "at_unix": each.at_unix,
                        "withdrawn": each.withdrawn.why if each.withdrawn else None,
                    }
                    for each in found
                ]
            }
        )
        return
    table = Table("number", "record", "verdict", "why", "by", "withdrawn")
    for each in found:
        taken = plain(each.withdrawn.why) if each.withdrawn else ""
        table.add_row(str(each.number), str(each.seq), each.verdict, plain(each.why), plain(each.by), taken)
    out().print(table)


@verdict_group.command("withdraw")
@store_option
@uid_option
@number_option
@why_option
@click.option("--by", default="", help="Who withdraws it.")
@json_option
def withdraw(store: str | Path, uid: str | None, number: int, why: str, by: str, as_json: bool) -> None:
    """Withdraw a verdict; it stays listed with the reason."""
    withdraw_row(store, uid, "verdict", number, why, by, as_json=as_json)
