"""Write an estimate into a jobs file as a job that is marked unproven."""

from __future__ import annotations

import re
from pathlib import Path

from steadyram.errors import BadInput
from steadyram.plain_file import read_plain, write_whole
from steadyram.press.estimate import Estimate
from steadyram.toml_text import parse_toml
from steadyram.units import to_unit

NAME_MAX = 24


def append_job(path: Path, estimate: Estimate, unit: str, name: str | None) -> str:
    """Append `[[job]]` with the force that a first part starts from and `unproven = true`; return the job's name.

    What stands in the file already is kept as it is, comments included; a new file is made if
    there is none. Raises BadInput when the file is not TOML, cannot be written, or has a job of
    that name.
    """
    job_name = name if name is not None else f"{estimate.what} estimate"[:NAME_MAX].strip()
    if not re.fullmatch(rf"[ !#-\[\]-~]{{1,{NAME_MAX}}}", job_name):
        raise BadInput(f"job name {job_name[:40]!r} must be 1 to {NAME_MAX} plain characters without quotes.")
    try:
        before = read_plain(path, 1_000_000).decode("utf-8") if path.exists() else ""
        jobs = parse_toml(before).get("job", [])
    except ValueError as error:
        raise BadInput(f"{path} is not a jobs file ({error}); give another name.") from None
    except OSError as error:
        raise BadInput(f"{path} cannot be read ({error.strerror}); give another name.") from None
    if not isinstance(jobs, list) or any(isinstance(j, dict) and j.get("name") == job_name for j in jobs):
        raise BadInput(f"{path} has a job {job_name!r} already; give another --job-name.")
    low, high = to_unit(estimate.low_N, "newton", unit), to_unit(estimate.high_N, "newton", unit)
    text = (f"{before.rstrip()}\n\n" if before.strip() else "") + (
        f"# Estimate, expect {low:.3g} to {high:.3g} {unit}. {estimate.formula}\n"
        "# Unproven: start below it and teach it with a first part.\n"
        "[[job]]\n"
        f'name = "{job_name}"\n'
        f'force = "{to_unit(estimate.first_N, "newton", unit):.4g} {unit}"\n'
        "unproven = true\n"
    )
    write_whole(path, text)
    return job_name
