"""The number of a calibration document, and its issues.

ISO/IEC 17025:2017 asks for a unique identification (7.8.2.1 d) and, of an amended one, what it replaces and why
(7.8.8; from memory). The number is the calibration's own and the beginning of its record's digest; the issues are
counted in the record's journal.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from datetime import datetime

from steadyram.errors import BadInput
from steadyram.metrology.certificate import Contents
from steadyram.metrology.journal import Journal
from steadyram.metrology.record import CalibrationRecord, Issue, document_number, issue_name
from steadyram.metrology.verify import Verification

# Facts that say which document it is; all others are its contents.
OF_THE_ISSUE = ("number and issue", "replaces", "date of issue")


def digest_of(said: Contents) -> str:
    """Return the SHA-256 digest of what a document says, but for its number, issue and date of issue."""
    sections = [asdict(section) for section in said.sections]
    for section in sections:
        for table in section["tables"]:
            table["rows"] = [row for row in table["rows"] if row[0] not in OF_THE_ISSUE]
    text = json.dumps([said.title, sections, said.caution, said.digest], sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def refuse_incomplete(replaces: str, reason: str) -> None:
    """Raise BadInput where only one of the two is given."""
    if bool(replaces.strip()) != bool(reason.strip()):
        raise BadInput(
            "an amended document names what it replaces and why: give --replaces and --reason together."
        )


def next_issue(
    record: CalibrationRecord,
    draft: Contents,
    replaces: str,
    reason: str,
    at: datetime,
    judged: Verification | None = None,
) -> Issue:
    """Return the issue that a document is: the same again where nothing changed, otherwise the next one.

    draft: what it says; judged: the fresh points in it. Raises BadInput where an earlier issue said something else and
    the new one does not name it with a reason, and where it names another issue of this record than the newest.
    """
    refuse_incomplete(replaces, reason)
    contents = digest_of(draft)
    last = record.issues[-1] if record.issues else None
    if last is not None and last.contents == contents and not replaces:
        return last
    if last is not None and not replaces:
        raise BadInput(
            f"{last.title} {last.name} of {last.at:%Y-%m-%d} was made of this record and said something else: give "
            f"--replaces {last.name} and --reason TEXT to issue an amended one."
        )
    if last is not None and replaces.strip() not in ("", last.name):
        raise BadInput(f"{replaces} is not the newest issue of this record, that is {last.name}.")
    own = document_number(record)
    if last is None and replaces.startswith(f"{own}/"):
        raise BadInput(f"{replaces} is not the newest issue of this record: there is none yet.")
    number = 1 if last is None else last.issue + 1
    return Issue(
        issue=number,
        name=issue_name(record, number, contents),
        title=draft.title,
        at=at,
        contents=contents,
        replaces=replaces.strip(),
        reason=reason.strip(),
        fresh_digest="" if judged is None else judged.digest,
        fresh_taken="" if judged is None else judged.taken,
    )


def enter(journal: Journal, issue: Issue) -> None:
    """Write an issue into its record, unless it stands there."""
    if issue not in journal.record.issues:
        journal.issued(issue)
