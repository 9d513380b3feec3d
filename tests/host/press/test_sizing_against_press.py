"""What sizing predicts for a plain threshold is what the virtual press then does."""

import json
from statistics import fmean

import pytest
from tests.host.press.test_sizing import NO_SLOW, run


@pytest.mark.parametrize("setpoint", ["2 tonf", "10 tonf"])
def test_threshold_overshoot(setpoint, tmp_path, capsys):
    text = NO_SLOW.split("[work]")[0] + '[work]\nkind = "dead-stop"\ngap = "5 mm"\nstiffness = "150 kN/mm"\n'
    path = tmp_path / "press.toml"
    path.write_text(text)
    _, out, _ = run(capsys, "size", "--press", path, "--smallest", setpoint, "--json")
    predicted = json.loads(out)
    code, out, _ = run(
        capsys, "trial", "--press", path, "--setpoint", setpoint, "--cycles", "5", "--seed", "1",
        "--cutoff", "threshold", "--runtime", "cpython", "--json",
    )  # fmt: skip
    assert code == 0
    told = json.loads(out)
    over = fmean(c["peak_N"] - c["setpoint_N"] for c in told["cycles"])
    assert over == pytest.approx(predicted["threshold_overshoot_N"], rel=0.05)
    assert told["limit_sigma_N"] == pytest.approx(predicted["limit_sigma_N"], rel=1e-12)
