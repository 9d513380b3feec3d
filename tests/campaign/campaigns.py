"""List the campaigns: how each is run, which part it belongs to, what code it judges, and the figures to keep.

`short` takes minutes, `night` some hours and `week` days on two processors. A campaign's own module has its method.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

Figures = dict[str, Any]
PARTS = ("short", "night", "week")


@dataclass(frozen=True)
class Campaign:
    """A campaign: its name, part, module and words of the command line, and the code that its result depends on."""

    name: str
    part: str
    module: str
    words: tuple[str, ...]
    judges: tuple[str, ...]
    figures: Callable[[Figures], Figures]
    seed: str = "1"
    needs: str = ""  # a Python package that it needs and the tests do not

    def command(self, out: str, part: str) -> list[str]:
        """Return the words after `python`, with where the result and what is half-way go."""
        words = [word.replace("{part}", part) for word in self.words]
        return ["-m", f"tests.campaign.{self.module}", *words, "--out", out]

    def shown(self) -> str:
        """Return the command as a summary shows it."""
        return " ".join(["python", *self.command(f"tests/campaign/out/{self.name}.json", "OUT.part")])


def scalars(raw: Figures, *but: str) -> Figures:
    """Return the plain values and the small tables of plain values of a result."""

    def plain(value: Any) -> bool:
        return value is None or isinstance(value, str | int | float)

    left_out = {"date", "commit", "uncommitted", "code", "seed", *but}
    return {
        key: value
        for key, value in raw.items()
        if key not in left_out
        and (
            plain(value)
            or (isinstance(value, list) and len(value) <= 24 and all(map(plain, value)))
            or (isinstance(value, dict) and len(value) <= 10 and all(map(plain, value.values())))
        )
    }


def under(raw: Figures, *keys: str) -> Figures:
    """Return the scalars of inner tables, each named with its table."""
    return {f"{key}.{name}": value for key in keys for name, value in scalars(raw[key]).items()}


def cutoff(raw: Figures) -> Figures:
    """Return jobs, what each bar was missed by, and what stands in the way, as `cutoff.headline` has them."""
    from tests.campaign.cutoff import headline

    return headline(raw)


def faults(raw: Figures) -> Figures:
    """Return cases, and for each fault cases, latency and its bound."""
    by_fault = {
        name: {
            "cases": each["cases"],
            "ms": each["worst_latency_ms"],
            "bound_ms": each["bound_ms"],
        }
        for name, each in raw["by_fault"].items()
    }
    return {**scalars(raw, "protocol", "catalogue", "failed"), **by_fault}


def healthy(raw: Figures) -> Figures:
    """Return cycles and faults, and how the strokes ended with each kind of cutoff."""
    stops: dict[str, Counter[str]] = {}
    for run in raw["runs"]:
        stops.setdefault(run["cutoff"], Counter()).update(run["stops"])
    return {
        **scalars(raw, "protocol", "catalogue"),
        **{f"stops.{cutoff}": dict(sorted(found.items())) for cutoff, found in stops.items()},
    }


def detection(raw: Figures) -> Figures:
    """Return the rates over all presses, and false alarms and missed parts by press."""
    tried = raw["tried"]
    rates = ("false_alarms", "missed_bad_parts", "missed_grown_wear", "missed_wear_spells")
    return {
        **scalars(tried),
        **{key: tried[key] for key in rates if key in tried},
        **{f"missed.{kind}": found for kind, found in tried["missed"].items()},
        **{f"{name}.false_alarms": each["false_alarms"] for name, each in tried["by_press"].items()},
        **{f"{name}.missed": each["missed_bad_parts"] for name, each in tried["by_press"].items()},
    }


def drawn_detection(raw: Figures) -> Figures:
    """Return every rate, with the first parts confirmed and without."""
    found: Figures = {"seeds": raw["seeds"], "batches": raw["batches"]}
    for which in ("confirmed", "provisional"):
        found |= {f"{which}.{name}": value for name, value in raw[which].items()}
    return found


def travel(raw: Figures) -> Figures:
    """Return the rates of both methods, with the job's learning put back after a bad part and as it is."""
    rates = ("false_alarms", "not_judged_good", "missed", "rightly_named")
    found: Figures = {"judged": raw["tried"]["cycles_judged"], "judged_as_is": raw["as_is"]["cycles_judged"]}
    for which in ("tried", "as_is"):
        for method in ("time", "travel"):
            for press in ("sound", "drifting"):
                for rate in rates:
                    found[f"{which}.{method}.{press}.{rate}"] = raw[which][method][press][rate]
    return found


def bends(raw: Figures) -> Figures:
    """Return the figures over all coils and by metal."""
    return {
        **scalars(raw),
        "all": raw["all"],
        **{
            each["material"]: {key: value for key, value in each.items() if key not in ("material", "rows")}
            for each in raw["materials"]
        },
    }


def bending(raw: Figures) -> Figures:
    """Return the figures over all cells, and by metal the share of third parts inside where the stop can hold it."""
    found = scalars(raw)
    for name in dict.fromkeys(row["material"] for row in raw["rows"]):
        rows = [row for row in raw["rows"] if row["material"] == name]
        held = [row for row in rows if 1.96 * row["limit_deg"] <= raw["tolerance_deg"]]
        found[name] = {
            what: round(sum(row[what]["third_within"] for row in held) / len(held), 4)
            for what in ("single", "procedure", "anew")
        }
    return found


def scaled(raw: Figures) -> Figures:
    """Return the figures of each number of devices and collectors."""
    named = {f"{row['devices']} devices, {row['collectors']} collectors": row for row in raw["runs"]}
    return {**scalars(raw), **{name: scalars(row, "devices", "collectors") for name, row in named.items()}}


def collected(raw: Figures) -> Figures:
    """Return what was collected of each press, and what was missing."""
    kept = (
        "cycles_on_device",
        "cycles_in_store",
        "missing",
        "unknown_to_device",
        "differing",
        "not_at_broker",
    )
    return {
        **scalars(raw, "collector_said"),
        **{row["press"]: {key: row[key] for key in kept} for row in raw["presses"]},
    }


def fuzzed(raw: Figures) -> Figures:
    """Return executions, coverage and crashes of each target."""
    kept = ("executions", "coverage", "crashes")
    return {
        **scalars(raw),
        **{name: {key: each[key] for key in kept} for name, each in raw["targets"].items()},
    }


def damaged(raw: Figures) -> Figures:
    """Return what was offered to each side and what got through."""
    firmware, host = raw["firmware"], raw["host"]
    return {
        **scalars(raw),
        "firmware": {
            key: firmware[key] for key in ("lines", "crash_count", "changes_answered_ok") if key in firmware
        },
        "host": {key: host[key] for key in ("lines", "crash_count", "taken") if key in host},
        "crc16": {key: raw["crc16"][key] for key in ("offered", "fitted", "expected")},
    }


def covered(raw: Figures) -> Figures:
    """Return coverage and excess of each model, and the least coverage in any part of the range."""
    found: Figures = {}
    for name, each in raw.items():
        if isinstance(each, dict) and "by_part_of_range" in each:
            found |= under(raw, name)
            found[f"{name}.least_coverage_of_a_part"] = min(p["coverage"] for p in each["by_part_of_range"])
    return found


def stroke_coverages(raw: Figures) -> Figures:
    """Return the coverages of each model."""
    return {
        f"{model}.{key}": value
        for model, each in raw.items()
        if isinstance(each, dict)
        for key, value in each.items()
        if key == "runs" or key.endswith(("_coverage", "_standard_error"))
    }


def link(raw: Figures) -> Figures:
    """Return the totals, the slowest answer and the memory of the process at the half and at the end."""
    rows = raw["by_minute"]
    return {
        **scalars(raw),
        "answer_max_s": max(row["answer_max_s"] or 0.0 for row in rows),
        "micropython_rss_KiB_half_and_end": [
            rows[len(rows) // 2]["micropython_rss_KiB"],
            rows[-1]["micropython_rss_KiB"],
        ],
    }


def soaked(raw: Figures) -> Figures:
    """Return the totals and how memory grew."""
    return scalars(raw)


BOARD_PIECES = (
    "commission",
    "landing",
    "stops_in_a_feed",
    "timer_stopped_in_a_feed",
    "power_cut_in_a_write",
    "heap",
    "callback_us",
    "callback_us_cache_model",
    "update_by_mpremote",
    "update_interrupted",
    "update_asked_every_50_ms",
    "update_raises",
    "update_hangs",
)


def on_the_board(raw: Figures) -> Figures:
    """Return each piece's figures on one line."""
    return {name: raw["pieces"].get(name, "not run") for name in BOARD_PIECES}


CHEAP_MODELS = ("s_shape", "hysteresis_loops", "wide_codes", "zero_wander", "everything", "virtual_press")

CAMPAIGNS = (
    Campaign(
        "stroke_coverage",
        "short",
        "stroke_coverage",
        ("--runs", "500", "--seed", "20261128", "--models", *CHEAP_MODELS),
        ("metrology", "plant"),
        stroke_coverages,
        seed="20261128",
    ),
    Campaign(
        "guided_coverage",
        "night",
        "stroke_coverage",
        ("--runs", "100", "--seed", "20261128", "--models", "guided", "--part", "{part}"),
        ("metrology", "plant", "commissioning"),
        stroke_coverages,
        seed="20261128",
    ),
    Campaign(
        "calibration_coverage",
        "short",
        "calibration_coverage",
        ("--runs", "1500"),
        ("metrology", "plant"),
        covered,
    ),
    Campaign(
        "drawn_presses",
        "night",
        "drawn_presses",
        ("--draw", "18", "--seed", "1"),
        ("core", "plant", "commissioning"),
        lambda raw: dict(raw["figures"]),
    ),
    Campaign(
        "commissioning",
        "short",
        "commissioning",
        ("--seeds", "2200:2208"),
        ("plant", "commissioning", "metrology"),
        lambda raw: dict(raw["figures"]),
        seed="2200",
    ),
    Campaign(
        "damaged_lines",
        "short",
        "damaged_lines",
        ("--lines", "1000000", "--part", "{part}"),
        ("services", "link"),
        damaged,
    ),
    Campaign(
        "fuzz_parsers",
        "short",
        "fuzz_parsers",
        ("--seconds", "15"),
        ("services", "link"),
        fuzzed,
        needs="atheris",
    ),
    Campaign(
        "power_cut", "short", "power_cut", ("--rounds", "20", "--part", "{part}"), ("services",), scalars
    ),
    Campaign(
        "collect_many",
        "short",
        "collect_many",
        ("--seconds", "120"),
        ("records", "link"),
        collected,
        seed="none",
    ),
    Campaign(
        "collect_scale",
        "short",
        "collect_scale",
        ("--seconds", "20"),
        ("records", "link"),
        scaled,
        seed="none",
    ),
    Campaign("page_load", "short", "page_load", ("--seconds", "60"), ("page",), scalars),
    Campaign("bending", "short", "bending", ("--runs", "100"), ("bending",), bending),
    Campaign(
        "bend_slips",
        "short",
        "bend_slips",
        ("--metals", "30", "--seed", "88417"),
        ("bending",),
        lambda raw: scalars(raw, "provenance"),
        "88417",
    ),
    Campaign(
        "detection",
        "night",
        "detection",
        ("--seeds", "5"),
        ("records", "core", "plant"),
        detection,
        "301-305",
    ),
    Campaign(
        "detection_drawn",
        "night",
        "detection_drawn",
        ("--seed", "3000", "3010", "--draw", "4"),
        ("records", "core", "plant"),
        drawn_detection,
        seed="3000 to 3003, 3010 to 3013",
    ),
    Campaign(
        "travel_detection",
        "night",
        "travel_detection",
        ("--seeds", "4"),
        ("records", "core", "plant"),
        travel,
        seed="600-603",
    ),
    Campaign(
        "bend_firmware", "night", "bend_firmware", ("--coils", "10"), ("bending", "core", "plant"), bends
    ),
    Campaign(
        "emulated_board",
        "night",
        "emulated_board",
        ("--seed", "91", "--part", "{part}"),
        ("board", "core", "services", "plant", "commissioning"),
        on_the_board,
        seed="91",
    ),
    Campaign("healthy", "night", "healthy", (), ("core", "services", "plant"), healthy, "12"),
    Campaign(
        "faults_micropython",
        "night",
        "faults",
        ("--presses", "placed-20", "--seeds", "1", "--runtime", "micropython"),
        ("core", "services", "plant"),
        faults,
        seed="12",
    ),
    Campaign("soak_link", "night", "soak_link", ("--minutes", "60"), ("core", "services", "link"), link),
    Campaign("faults", "night", "faults", ("--seeds", "1"), ("core", "services", "plant"), faults, "12"),
    Campaign("cutoff", "night", "cutoff", (), ("core", "plant", "commissioning"), cutoff, "0-1"),
    Campaign(
        "spark_parquet", "week", "spark_parquet", (), ("records",), scalars, seed="none", needs="pyspark"
    ),
    Campaign("soak_days", "week", "soak", ("days",), ("core", "services"), soaked),
    Campaign("soak_month", "week", "soak", ("month",), ("core", "services"), soaked),
)
