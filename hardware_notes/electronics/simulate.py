"""Simulate the electric circuits of the notes and hold each claim against its limit.

python hardware_notes/electronics/simulate.py           runs every claim, writes ../electronics.md
python hardware_notes/electronics/simulate.py --check   exits 1 if a claim fails or the page is out of date

Needs ngspice (Debian: apt-get install ngspice). The netlists are templates: figures in braces are worked out from
values.toml and the claim before ngspice reads them.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
PAGE = HERE.parent / "electronics.md"
_BRACES = re.compile(r"\{([^{}]+)\}")
_FIGURE = re.compile(r"^(\w+)\s+=\s+([-+0-9.eE]+)", re.M)
_TIMEOUT_S = 120


@dataclass(frozen=True)
class Claim:
    """One claim: figure of a circuit, its limits, and what the simulation gave (None: it gave nothing)."""

    circuit: str
    figure: str
    low: float
    high: float
    says: str
    source: str
    value: float | None

    @property
    def holds(self) -> bool:
        """Return True when the simulated figure lies within the limits."""
        return self.value is not None and self.low <= self.value <= self.high


def component_values() -> dict[str, float]:
    """Return the free names of the netlists, from values.toml."""
    tables = tomllib.loads((HERE / "values.toml").read_text(encoding="utf-8"))
    divider, loop, contact = tables["divider"], tables["loop"], tables["contact"]
    driver, solenoid, vehicle = tables["driver"], tables["solenoid"], tables["vehicle"]
    shared = {
        "gate": driver["gate_ohm"],
        "pull_down": driver["pull_down_ohm"],
        "rated": driver["transistor_v"],
        "relay": driver["relay_coil_mh"],
        "relay_ohm": driver["relay_coil_ohm"],
        "pull_up": contact["pull_up_ohm"],
        "cable": contact["cable_m"],
        "pin_series": contact["pin_series_ohm"],
        "supply_fuse": tables["sensor"]["fuse_ohm"],
        "bleeder": tables["rail"]["bleeder_ohm"],
        "leak": driver["pad_leak_ua"],
        "top": divider["top_ohm"],
        "bottom": divider["bottom_ohm"],
        "tolerance": divider["tolerance_percent"],
        "clamp_leak": tables["clamp"]["leak_ua"],
        "pot": tables["wiper"]["pot_ohm"],
        "reference": tables["wiper"]["reference_ohm"],
        "burden": loop["burden_ohm"],
        "fuse": loop["fuse_ohm"],
        "suppressor": solenoid["suppressor_v"],
        "source": vehicle["source_mohm"],
        "motor": vehicle["motor_mohm"],
        "reservoir": vehicle["reservoir_uf"],
        "control": vehicle["control_w"],
    }
    return {key: float(value) for key, value in shared.items()}


def values_for(circuit: str) -> dict[str, float]:
    """Return the names that a circuit's netlist may use; the same name means the circuit's own part."""
    tables = tomllib.loads((HERE / "values.toml").read_text(encoding="utf-8"))
    values = component_values()
    kind = circuit.partition("_")[0]
    coil = tables["driver"] if circuit in ("driver_off", "surge") else tables["solenoid"]
    own = {
        "coil": coil.get("relay_coil_mh", coil.get("coil_mh")),
        "coil_ohm": coil.get("relay_coil_ohm", coil.get("coil_ohm")),
        "supply": tables["vehicle" if kind == "sag" else "solenoid"]["supply_v"],
        "filter": tables[kind if kind in ("loop", "contact") else "divider"]["filter_nf"],
        "series": tables["contact" if kind == "contact" else "loop"]["series_ohm"],
    }
    return values | {key: float(value) for key, value in own.items()}


def netlist(circuit: str, values: dict[str, float]) -> str:
    """Return the text of a netlist with every expression in braces worked out."""
    text = (HERE / f"{circuit}.cir").read_text(encoding="utf-8")

    def worked_out(found: re.Match[str]) -> str:
        # Only names of `values` and arithmetic; the files are this folder's own.
        return f"{eval(found[1], {'__builtins__': {}}, dict(values)):.9g}"

    return _BRACES.sub(worked_out, text)


def simulate(circuit: str, given: dict[str, float]) -> dict[str, float]:
    """Run one netlist through ngspice; figure name -> value in SI units. Raises RuntimeError with what it said."""
    program = shutil.which("ngspice")
    if program is None:
        raise RuntimeError("ngspice is missing: apt-get install ngspice")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{circuit}.cir"
        path.write_text(netlist(circuit, values_for(circuit) | given) + "\n.end\n", encoding="utf-8")
        shutil.copy(HERE / "models.inc", folder)
        done = subprocess.run(
            [program, "-b", path.name], cwd=folder, capture_output=True, text=True, timeout=_TIMEOUT_S
        )
    figures = {name: float(value) for name, value in _FIGURE.findall(done.stdout)}
    if not figures:
        raise RuntimeError(f"ngspice gave no figure for {circuit}: {done.stdout[-400:]}{done.stderr[-800:]}")
    return figures


def claims() -> list[Claim]:
    """Run every claim of claims.toml."""
    known: dict[str, dict[str, float]] = {}
    found = []
    for row in tomllib.loads((HERE / "claims.toml").read_text(encoding="utf-8"))["claim"]:
        given: dict[str, Any] = row.get("with", {})
        key = f"{row['circuit']} {sorted(given.items())}"
        if key not in known:
            known[key] = simulate(row["circuit"], {name: float(value) for name, value in given.items()})
        low, high = row["limit"]
        value = known[key].get(row["figure"])
        found.append(Claim(row["circuit"], row["figure"], low, high, row["says"], row["source"], value))
    return found


_UNITS = {
    "hz": ("Hz", 1),
    "s": ("ms", 1000),
    "v": ("V", 1),
    "a": ("mA", 1000),
    "w": ("W", 1),
    "j": ("mJ", 1000),
}


def shown(claim: Claim, value: float | None, digits: int = 2) -> str:
    """Return a figure in the unit that its name ends with; two significant figures, so that versions agree."""
    unit, factor = _UNITS.get(claim.figure.rpartition("_")[2], ("%", 1))
    # Below a thousandth it is what the solver leaves of nothing.
    return "unknown" if value is None else f"{round(float(f'{value * factor:.{digits}g}'), 3):g} {unit}"


def limits(claim: Claim) -> str:
    """Return the limits as they stand in claims.toml."""
    return f"{shown(claim, claim.low, 6)} to {shown(claim, claim.high, 6)}"


def page(found: list[Claim]) -> str:
    """Return the page of all claims."""
    rows = [f"| {c.says} | {shown(c, c.value)} | {limits(c)} | {c.source} |" for c in found]
    return (
        "# Electronics, simulated\n\n"
        "Made by `python hardware_notes/electronics/simulate.py` from the netlists in [electronics](electronics); "
        "the drawings, the parts list and the netlists take their values from "
        "[values.toml](electronics/values.toml). CI runs every row and fails when one is outside its limits.\n\n"
        "What this is not: a test of a built board. Device models are generic textbook models. Limits that stand "
        "on a chip's or part's data sheet are from memory and marked so: look yours up. Nothing here makes steadyram "
        "a safety-rated control.\n\n"
        "| claim | simulated | limit | why |\n|---|---|---|---|\n" + "\n".join(rows) + "\n"
    )


def main() -> int:
    """Run; return the exit code."""
    found = claims()
    wrong = [c for c in found if not c.holds]
    for claim in wrong:
        print(
            f"{claim.circuit}: {claim.says}: {shown(claim, claim.value)} is outside {limits(claim)}",
            file=sys.stderr,
        )
    text = page(found)
    if "--check" in sys.argv[1:]:
        if not PAGE.exists() or PAGE.read_text(encoding="utf-8") != text:
            print(
                "electronics.md is out of date, run hardware_notes/electronics/simulate.py", file=sys.stderr
            )
            return 1
    else:
        PAGE.write_text(text, encoding="utf-8")
    print(f"{len(found) - len(wrong)} of {len(found)} claims hold", file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
