"""What the columns of a coupon table mean, said once and read by help, template and complaints."""

import pytest

from curecalc.calibration.columns import COLUMNS, coupon_template
from curecalc.calibration.coupons import coupons_from_bytes
from curecalc.cli import main
from curecalc.errors import FileError
from curecalc.files.tables import explained


def test_every_column_is_explained_in_a_sentence():
    for name, column in COLUMNS.items():
        assert column.about.endswith("."), name
        assert not column.never or (column.never.startswith("Never ") and column.never.endswith(".")), name


def test_the_uncertainty_columns_say_what_must_not_be_put_there():
    """Of the coupon's own mean, and no error that all coupons share (`gum` 4.3.7: a common error is no random one)."""
    assert "scatter of readings" in COLUMNS["thickness_standard_uncertainty"].never
    assert "power meter's scale" in COLUMNS["exposure_standard_uncertainty"].never


def test_help_tells_all_columns_and_stops(capsys):
    assert main(["fit", "--columns"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert all(" ".join(line.split()) in said for line in explained(COLUMNS))


def test_the_template_explains_each_column_and_reads_once_it_is_filled_in():
    text = coupon_template()
    assert all(f"# {line}\n" in text for line in explained(COLUMNS))
    head, _, rows = text.partition("note\n")
    filled = []
    for k, row in enumerate(rows.splitlines()):
        label, order, _, _, warm, note = row.split(",")
        depth = f"{100 + 10 * (k // 3)}" if k < 21 else ""
        filled.append(",".join([label, order, f"{20 + 5 * (k // 3)}", depth, warm, note]))
    coupons = coupons_from_bytes("new.csv", (head + "note\n" + "\n".join(filled) + "\n").encode(), skip_blank=True)
    assert len(coupons) == 7
    assert coupons.counts.tolist() == [3] * 7
    assert coupons.names == {}


@pytest.mark.parametrize(
    ("header", "cell", "column"),
    [
        ("thickness standard uncertainty", "2", "thickness_standard_uncertainty"),
        ("thickness standard uncertainty [um]", "0", "thickness_standard_uncertainty"),
        ("exposure standard uncertainty [mJ/cm^2]", "3 %", "exposure_standard_uncertainty"),
    ],
)
def test_a_complaint_ends_with_what_must_not_be_put_there(header, cell, column):
    table = f"coupon,thickness [um],exposure [mJ/cm^2],{header}\n1,100,20,{cell}\n2,130,30,{cell}\n"
    with pytest.raises(FileError) as error:
        coupons_from_bytes("a.csv", table.encode())
    assert str(error.value).endswith(COLUMNS[column].never)
