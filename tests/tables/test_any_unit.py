"""A column whose unit is the detector's own: any unit in the header, kept and not converted."""

from curecalc.files.tables import Column, read_table_bytes

COLUMNS = {"x": Column("length"), "signal": Column("number", any_unit=True, aliases=("voltage",))}


def test_any_unit_is_kept_and_not_converted():
    table = read_table_bytes("scan.csv", b"x [um],voltage [mV]\n0,1.5\n50,7.25\n", COLUMNS)
    assert table["signal"].tolist() == [1.5, 7.25]
    assert table.units["signal"] == "mV"
    assert read_table_bytes("scan.csv", b"x [um],signal\n0,1.5\n", COLUMNS).units["signal"] == ""
