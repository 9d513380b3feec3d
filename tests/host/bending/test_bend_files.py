"""Bend lists as files, and the commands over them."""

import json
import math
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from steadyram.bending.bend_list import plan_list, read_bend_list
from steadyram.cli.bend import bend
from steadyram.errors import BadInput

SCHEMAS = Path(__file__).resolve().parents[3] / "protocol" / "schemas"
LIST = """\
name = "bracket"
material = "mild-steel-cold-rolled"
thickness = "2 mm"
blank = "180 mm"
[tooling]
opening = "16 mm"
punch_radius = "1 mm"
shoulder_radius = "2 mm"
die_angle = "60 deg"
rating = "600 kN/m"
[[bend]]
angle = "90 deg"
length = "300 mm"
position = "40 mm"
[[bend]]
name = "lip"
angle = "120°"
length = "12 in"
position = "90 mm"
[bed]
span = "600 mm"
inertia = "1500 cm^4"
"""
TOOLS = (
    "--material", "mild-steel-cold-rolled", "--thickness", "2 mm", "--opening", "16 mm", "--punch-radius", "1 mm",
    "--shoulder-radius", "2 mm", "--die-angle", "60 deg",
)  # fmt: skip


def run(*arguments: str) -> str:
    result = CliRunner().invoke(bend, arguments)
    assert result.exit_code == 0, result.output
    return result.stdout


def document(name: str, *arguments: str) -> dict:
    found = json.loads(run(*arguments, "--json"))
    jsonschema.validate(found, json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8")))
    return found


def refused(*arguments: str) -> str:
    result = CliRunner().invoke(bend, arguments)
    assert isinstance(result.exception, BadInput), result.output
    assert result.stdout == ""
    return str(result.exception)


@pytest.fixture
def listed(tmp_path: Path) -> Path:
    path = tmp_path / "bracket.toml"
    path.write_text(LIST, encoding="utf-8")
    return path


def test_a_list_is_read_and_planned(listed):
    bends = read_bend_list(listed)
    assert [round(math.degrees(each.angle)) for each in bends.bend] == [90, 120]
    first, second = plan_list(bends)
    assert first.plan.depth_m > second.plan.depth_m
    assert first.warnings == second.warnings == ()


def test_bends_from_a_table_beside_it(listed):
    tables = LIST[: LIST.index("[[bend]]")] + LIST[LIST.index("[bed]") :]
    listed.write_text('bends_csv = "bends.csv"\n' + tables, encoding="utf-8")
    table = listed.parent / "bends.csv"
    table.write_text(
        "# two\nname, angle, length, position\n,90 deg,300 mm,40 mm\nlip,120°,12 in,\n", encoding="utf-8"
    )
    bends = read_bend_list(listed)
    assert bends.bend[1].position is None
    assert bends.bend[1].length == pytest.approx(0.3048)
    for text, said in (
        ("angle,width\n90 deg,1 m\n", "the columns must be"),
        ("angle,length\n90 deg\n", "as many values"),
        ("angle,length\n90 deg,1 m,2\n", "as many values"),
        ("angle,length\n", "at least 1 item"),
        ('angle,length\n"90 deg,1 m\n', "not a CSV file"),
    ):
        table.write_text(text, encoding="utf-8")
        with pytest.raises(BadInput, match=said):
            read_bend_list(listed)
    table.unlink()
    with pytest.raises(BadInput, match="cannot be read"):
        read_bend_list(listed)
    listed.write_text('bends_csv = "bends.csv"\n' + LIST, encoding="utf-8")
    with pytest.raises(BadInput, match="not in both"):
        read_bend_list(listed)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"90 deg"', '"90"', "bend 1 angle .*no unit"),
        ('"90 deg"', "90", "text with its unit"),
        ('"90 deg"', '"200 deg"', "outside the plausible"),
        ('length = "300 mm"\n', "", "bend 1 length is missing"),
        ('"2 mm"\nblank', '"2 kg"\nblank', "wrong kind"),
        ("blank =", "blnk =", "blnk is not a known key"),
        ('"40 mm"', '"400 mm"', "beyond the blank"),
        ('"60 deg"', '"88 deg"', None),
        ("[tooling]", "[toolin]", "tooling is missing|not a known key"),
        ("[[bend]]", "[[bend", "not TOML"),
        ('"bracket"', '"\\u001b[31m"', "cannot be shown"),
        ('name = "bracket"', 'bends_csv = "../bends.csv"', "without a folder|not in both"),
        ("mild-steel", "unobtainium", "there is no material"),
    ],
)
def test_a_wrong_list_is_told_in_a_sentence(listed, old, new, said):
    listed.write_text(LIST.replace(old, new, 1), encoding="utf-8")
    if said is None:
        assert any("cannot overbend" in line for line in plan_list(read_bend_list(listed))[0].warnings)
        return
    with pytest.raises(BadInput, match=said) as told:
        plan_list(read_bend_list(listed))
    assert "\n" not in str(told.value)


def test_files_that_are_none(tmp_path):
    for content in (b"\xff\xfe\x00", b"x" * 300_000):
        path = tmp_path / "list.toml"
        path.write_bytes(content)
        with pytest.raises(BadInput):
            read_bend_list(path)
    with pytest.raises(BadInput, match="not a plain file"):
        read_bend_list(tmp_path)


def test_plan_as_json_and_in_words():
    arguments = ("plan", *TOOLS, "--angle", "90 deg", "--length", "300 mm", "--rating", "600 kN/m")
    found = document("bend-plan", *arguments)
    assert found["included_angle_rad"] == pytest.approx(math.pi / 2)
    assert found["bend_deduction_m"] == pytest.approx(
        2 * found["outside_setback_m"] - found["bend_allowance_m"]
    )
    assert found["warnings"] == []
    words = run(*arguments)
    assert f"{found['depth_m'] * 1e3:.3f} mm" in words
    assert "hands" in words
    assert "not a safety-rated control" in words


def test_plan_takes_the_bow_out_and_warns():
    bed = ("--bed-span", "600 mm", "--bed-inertia", "1500 cm^4")
    found = document(
        "bend-plan", "plan", *TOOLS, "--angle", "90 deg", "--length", "300 mm", *bed, "--capacity", "20 kN"
    )
    assert found["stop_depth_m"] == pytest.approx(found["depth_m"] + found["bed_deflection_m"])
    assert not found["allowed"]
    assert any("above the press's capacity" in line for line in found["warnings"])


def test_given_k_and_radius_are_used():
    found = document(
        "bend-plan",
        "plan",
        *TOOLS,
        "--angle",
        "90 deg",
        "--length",
        "1 m",
        "--k-factor",
        "0.4",
        "--inside-radius",
        "2 mm",
    )
    assert found["k_factor"] == 0.4
    assert found["sources"]["k_factor"] == "as given"
    assert found["loaded_radius_m"] == pytest.approx(2e-3)


def test_flanges_give_the_flat_length():
    arguments = ("plan", *TOOLS, "--angle", "90 deg", "--length", "1 m", "--flange", "40 mm")
    found = document("bend-plan", *arguments, "--flange", "60 mm")
    assert found["flat_length_m"] == pytest.approx(0.1 - found["bend_deduction_m"])
    assert "flat length: 96.317 mm" in run(*arguments, "--flange", "60 mm")
    assert "2 flanges" in refused(*arguments)
    assert "too short" in refused(*arguments[:-1], "1 mm", "--flange", "1 mm")


def test_correct_goes_deeper_for_an_underbent_part():
    one = ("correct", *TOOLS, "--target", "90 deg", "--depth", "5.30 mm", "--measured", "95 deg")
    found = document("bend-correct", *one)
    assert 0.1e-3 < found["change_m"] < 0.6e-3
    assert found["bends"][0]["surprise_rad"] == pytest.approx(-math.radians(5), abs=math.radians(0.1))
    two = document("bend-correct", *one, "--depth", "5.60 mm", "--measured", "90.5 deg")
    assert two["sigma_rad"] < found["sigma_rad"]
    assert 5.60e-3 < two["depth_m"] < 5.70e-3
    assert "next depth" in run(*one)


def test_correct_with_a_bed_needs_the_force():
    one = ("correct", *TOOLS, "--target", "90 deg", "--depth", "5.40 mm", "--measured", "95 deg")
    bed = ("--bed-span", "600 mm", "--bed-inertia", "1500 cm^4")
    assert "--force" in refused(*one, *bed)
    found = document("bend-correct", *one, *bed, "--force", "30 kN")
    assert found["stop_depth_m"] - found["depth_m"] == pytest.approx(30e3 * 0.6**3 / (48 * 200e9 * 1.5e-5))


def test_list_as_json_and_table(listed):
    found = document("bend-check", "check", str(listed))
    assert len(found["bends"]) == 2
    assert found["total_deduction_m"] == pytest.approx(
        sum(each["bend_deduction_m"] for each in found["bends"])
    )
    assert "lip" in run("check", str(listed))


def test_names_are_not_markup(listed):
    listed.write_text(LIST.replace('"lip"', '"[red]lip"'), encoding="utf-8")
    assert "[red]lip" in run("check", str(listed))


def test_shim():
    found = document(
        "bend-shim", "shim", "--force", "80 kN", "--span", "600 mm", "--inertia", "1500 cm^4", "--part", "300 mm",
        "--opening", "16 mm",
    )  # fmt: skip
    assert found["deflection_m"] == pytest.approx(80e3 * 0.6**3 / (48 * 200e9 * 1.5e-5))
    heights = [each["height_m"] for each in found["shims"]]
    assert heights == sorted(heights, reverse=True)
    assert "never under force" in run(
        "shim", "--force", "80 kN", "--span", "600 mm", "--inertia", "1500 cm^4"
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("plan", *TOOLS, "--angle", "180 deg", "--length", "1 m"), "between 0 and 180"),
        (("plan", *TOOLS, "--angle", "10 deg", "--length", "1 m"), "sharper or wider"),
        (("plan", *TOOLS, "--angle", "90", "--length", "1 m"), "an angle such as '90 deg'"),
        (("plan", *TOOLS, "--angle", "90 deg", "--length", "0 m"), "more than zero"),
        (("plan", *TOOLS, "--angle", "90 deg", "--length", "1 m", "--bed-span", "1 m"), "--bed-inertia"),
        (
            (
                "correct",
                *TOOLS,
                "--target",
                "90 deg",
                "--depth",
                "5 mm",
                "--depth",
                "5 mm",
                "--measured",
                "90 deg",
            ),
            "as many",
        ),
        (
            ("correct", *TOOLS, "--target", "90 deg", "--depth", "5 m", "--measured", "90 deg"),
            "none this die",
        ),
        (
            ("correct", *TOOLS, "--target", "90 deg", "--depth", "5.3 mm", "--measured", "150 deg"),
            "included angle",
        ),
        (
            ("shim", "--force", "80 kN", "--span", "600 mm", "--inertia", "1500 cm^4", "--part", "1 m"),
            "elsewhere",
        ),
        (("check", "/nowhere/at/all.toml"), "cannot be read"),
    ],
)
def test_refusals(arguments, said):
    assert said in refused(*arguments)


def test_figures_of_the_hardware_notes():
    notes = (SCHEMAS.parents[1] / "hardware_notes" / "press_brake.md").read_text(encoding="utf-8")
    found = document(
        "bend-plan", "plan", *TOOLS, "--angle", "90 deg", "--length", "300 mm", "--rating", "600 kN/m"
    )
    told = (
        f"depth of {found['depth_m'] * 1e3:.3f} mm",
        f"{math.degrees(found['angle_per_depth_rad_per_m'] * 1e-4):.2f} deg more",
        f"deduction of {found['bend_deduction_m'] * 1e3:.3f} mm",
        f"{found['least_flange_m'] * 1e3:.1f} mm of flange",
        f"{found['force_N'] / 1e3:.1f} kN",
    )
    shim = document(
        "bend-shim",
        "shim",
        "--force",
        "80 kN",
        "--span",
        "600 mm",
        "--inertia",
        "1500 cm^4",
        "--part",
        "300 mm",
    )
    summaries = SCHEMAS.parents[1] / "tests" / "campaign" / "summaries"
    study = json.loads((summaries / "bending.json").read_text(encoding="utf-8"))
    shares = study["figures"]["third_within_where_the_stop_can"]
    told += (f"{shim['bow_over_part_m'] * 1e3:.3f} mm in the middle",)
    told += tuple(f"{100 * shares[what]:.1f} %" for what in ("single", "procedure", "anew"))
    flowing = " ".join(notes.split())
    assert [each for each in told if each not in flowing] == []
