"""The invented lot: its tables are what the stated truth gives, its faults are found, and the README tells it as it is."""

import re
import shlex
from pathlib import Path

import pytest

from curecalc.calibration.coupons import coupons_from_bytes
from curecalc.calibration.curve import fit_coupons
from curecalc.calibration.invented import EARLIER_LOT, MISMEASURED_COUPON, NEW_LOT, TYPING_SLIP, corrected_table, coupon_table
from curecalc.cli import main

ROOT = Path(__file__).resolve().parents[2]


def tables():
    return {
        "coupons_lot_6.csv": coupon_table(EARLIER_LOT),
        "coupons_lot_7.csv": coupon_table(NEW_LOT),
        "coupons_lot_7_read_again.csv": corrected_table(),
    }


def test_the_tables_in_demo_are_what_the_stated_truth_gives():
    for name, text in tables().items():
        assert (ROOT / "demo" / name).read_text() == text
        assert text.startswith("# invented data")


def fit(text):
    return fit_coupons(coupons_from_bytes("c.csv", text.encode()))


def test_both_faults_are_found_and_only_they():
    found = fit(coupon_table(NEW_LOT)).outliers
    assert [(o.kind, o.coupon) for o in found] == [("reading", TYPING_SLIP), ("coupon", MISMEASURED_COUPON)]
    assert "two digits exchanged" in found[0].sentence


@pytest.mark.parametrize(("name", "truth"), [("coupons_lot_6.csv", EARLIER_LOT), ("coupons_lot_7_read_again.csv", NEW_LOT)])
def test_the_truth_lies_in_the_intervals(name, truth):
    found = fit(tables()[name])
    assert not found.outliers
    low, high = (q.m for q in found.penetration_depth_interval)
    assert low < truth.penetration_depth < high
    low, high = (q.m for q in found.critical_exposure_interval)
    assert low < truth.critical_exposure < high


def test_the_readme_tells_it_as_it_is(tmp_path, monkeypatch, capsys):
    """Every command of the section runs in the order given, and the sentences quoted are printed."""
    section = (ROOT / "README.md").read_text().split("## Calibrate a lot", 1)[1].split("\n## ", 1)[0]
    monkeypatch.chdir(tmp_path)
    (tmp_path / "demo").symlink_to(ROOT / "demo")
    printed = ""
    commands = [line for line in section.replace("\\\n", " ").splitlines() if line.startswith("curecalc ")]
    assert len(commands) == 5
    for command in commands:
        assert main(shlex.split(command)[1:]) == 0
        printed += " ".join(capsys.readouterr().out.split()) + " "
    quoted = " ".join(" ".join(line.strip() for line in section.splitlines() if line.startswith("    ")).split())
    for sentence in re.split(r" \.\.\. ?|(?=Check:)|(?=--tolerance)", quoted):
        text = sentence.strip().removesuffix("...").strip()
        if text and not text.startswith("--"):
            assert text in printed


def test_the_demo_runs_the_whole_lot(tmp_path):
    from curecalc.cli.demonstration import calibrate_demo_lot

    text = calibrate_demo_lot(tmp_path)
    for words in ("plan ", "first readings", "check ", "read again", "against lot 6"):
        assert words in text
    names = {p.name for p in tmp_path.iterdir()}
    assert {"resin_lot_7.toml", "lot_7.png", "lot_7_first_readings.png", "plan_lot_7.html", "plan_lot_7.csv"} <= names
