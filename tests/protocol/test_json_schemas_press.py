"""What the fit, size, force and calibration commands print obeys the JSON Schemas beside the protocol."""

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from tests.host.metrology.calibration_samples import record
from tests.host.press.test_sizing import NO_SLOW, TEXT

from steadyram.cli import main
from steadyram.metrology.analyse import analyse
from steadyram.metrology.summary import analysis_document

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "published" / "data"


def schema(name: str) -> Draft202012Validator:
    document = json.loads((ROOT / "protocol" / "schemas" / f"{name}.schema.json").read_text())
    Draft202012Validator.check_schema(document)
    return Draft202012Validator(document)


def printed(capsys: pytest.CaptureFixture[str], *arguments: object) -> dict:
    main([*(str(a) for a in arguments), "--json"])
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("model", ["line", "quadratic", "cubic"])
def test_fit(model, capsys):
    schema("fit").validate(printed(capsys, "fit", DATA / "pontius.csv", "--model", model))


@pytest.mark.parametrize("text", [TEXT, NO_SLOW, NO_SLOW.replace('noise = "0.05 %"', 'noise = "20 %"')])
def test_size(text, tmp_path, capsys):
    path = tmp_path / "press.toml"
    path.write_text(text)
    schema("size").validate(printed(capsys, "size", "--press", path, "--tolerance", "2 %"))


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        (
            "force",
            "bend --material mild-steel-cold-rolled --thickness 2mm --length 1m --opening 16mm --die coining",
        ),
        ("force", "punch --shear 310MPa --thickness 2mm --diameter 10mm"),
        ("force", "press-fit --diameter 40mm --hub 80mm --interference 40um --length 50mm"),
        ("force", "clinch --thread M8 --thickness 2mm"),
        ("force", "dimple --hole 1in --outer 1.3in --thickness 2mm"),
        ("force", "broach --width 6mm --rise 0.05mm --length 30mm --pitch 8mm"),
        ("force", "straighten --section tube --width 30mm --wall 2mm --span 500mm"),
        (
            "force-bed-deflection",
            "bed-deflection --force 20tonf --span 0.9m --modulus 200GPa --inertia 1500cm^4",
        ),
    ],
)
def test_force(name, arguments, capsys):
    schema(name).validate(printed(capsys, "force", *arguments.split()))


def test_calibration():
    document = analysis_document(analyse(record(), "x"))
    schema("calibration-analyse").validate(json.loads(json.dumps(document, allow_nan=False)))
