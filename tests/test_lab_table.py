"""A laboratory's table is read whole or refused in one sentence that names line and column."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from planner.lab_prediction import Skipped, prediction_of
from planner.lab_table import lab_table, read_lab_table
from planner.vocabulary import Interval
from segmentation.errors import InputError
from viewer.command_line import run

HEAD = "id,screw_kind,host,quantity,force_n,major_mm,core_mm,pitch_mm,engaged_mm,host_shear_mpa,tapped\n"
GOOD = "a,own,PU foam 20 pcf,pullout,500,3.5,2.4,1.25,10,,no\n"


def test_a_row_is_read():
    (row,) = lab_table(HEAD + GOOD, "t").rows
    assert (row.key, row.measured, row.major_mm, row.tapped, row.cortex_mm) == ("a", 500, 3.5, False, None)
    assert (row.quantity, row.is_torque) == ("pull-out", False)


def test_a_strength_with_its_ends():
    text = HEAD + GOOD.replace("10,,", '10,"60 (assumed, 51.6-79)",')
    assert lab_table(text, "t").rows[0].host_shear_mpa == Interval(60, 51.6, 79)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("3.5", "3.5-4", "major_mm '3.5-4'"),
        ("500", "n/a", "force_n 'n/a'"),
        (",no", ",perhaps", "tapped 'perhaps'"),
        ("10,,", "10,strong,", "host_shear_mpa 'strong'"),
        ("10,,", "10,80 (51-79),", "host_shear_mpa '80 (51-79)'"),
    ],
)
def test_words_for_a_number_keep_their_row_from_being_predicted(old: str, new: str, said: str):
    (row,) = lab_table(HEAD + GOOD.replace(old, new), "t").rows
    told = prediction_of(row)
    assert isinstance(told, Skipped)
    assert told.why == f"not understood: {said}"


def test_columns_nobody_reads_are_named():
    text = HEAD.replace("\n", ",pilot\n") + GOOD.replace("\n", ",2.5\n")
    assert lab_table(text, "t").not_read == ("pilot",)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "lacks the columns id"),
        ("id,host\na,b\n", "lacks the columns screw_kind, quantity, force_n"),
        (HEAD, "no row below its header"),
        (HEAD.replace("tapped", "id") + GOOD, "more than once"),
        (HEAD + GOOD + GOOD, "the id 'a' stands 2 times"),
        (HEAD + GOOD.replace("3.5", "0"), "line 2, major_mm: must be a number above 0 (got '0')"),
        (HEAD + GOOD.replace("500", "-5"), "line 2, force_n: must be a number above 0"),
        (HEAD + GOOD.replace("500", "nan"), "line 2, force_n"),
        (HEAD + GOOD.replace("500", "inf"), "line 2, force_n"),
        (HEAD + GOOD.replace("2.4", "3.5"), "core_mm: must be below major_mm"),
        (HEAD + GOOD.replace("\n", ",more\n"), "more cells than the header"),
        (HEAD + "a,own\n", "fewer cells than the header"),
        (HEAD + GOOD.replace("a,own", ",own"), "line 2, id: must not be empty"),
        (HEAD + '"a', "not comma-separated"),
    ],
)
def test_what_is_refused(text: str, said: str):
    with pytest.raises(InputError) as refused:
        lab_table(text, "tests.csv")
    assert said in str(refused.value)
    assert str(refused.value).startswith("tests.csv")


def test_files_that_are_none(tmp_path: Path):
    with pytest.raises(InputError, match="cannot be read"):
        read_lab_table(tmp_path / "absent.csv")
    path = tmp_path / "bytes.csv"
    path.write_bytes(b"id\xff")
    with pytest.raises(InputError, match="not UTF-8"):
        read_lab_table(path)
    path.write_bytes(b"\xef\xbb\xbf" + (HEAD + GOOD).encode())
    assert len(read_lab_table(path).rows) == 1


def test_the_command_writes_what_was_asked(tmp_path: Path, capsys):
    table = tmp_path / "own.csv"
    table.write_text(HEAD.replace("\n", ",pilot\n") + GOOD.replace("\n", ",2.5\n"))
    out = [tmp_path / name for name in ("v.json", "v.svg", "v.md")]
    said = ["--json", str(out[0]), "--plot", str(out[1]), "--out", str(out[2])]
    assert run(["validate", str(table), *said]) == 0
    told = capsys.readouterr()
    assert told.out == ""
    assert "columns not read: 'pilot'" in told.err
    document = json.loads(out[0].read_text())
    assert (document["format"], document["version"]) == ("pilothole-validation", 1)
    assert document["rows"][0]["skipped"] is None
    assert out[1].read_text().startswith("<svg")
    assert "1 rows in 'own.csv'" in out[2].read_text()


def test_a_bad_table_writes_nothing(tmp_path: Path, capsys):
    table, out = tmp_path / "own.csv", tmp_path / "v.json"
    table.write_text(HEAD + GOOD.replace("500", "-1"))
    out.write_text("mine")
    assert run(["validate", str(table), "--json", str(out)]) == 2
    assert "line 2, force_n" in capsys.readouterr().err
    assert out.read_text() == "mine"
    assert run(["validate", str(table), "--json", str(table)]) == 2
    assert "is an input" in capsys.readouterr().err


def test_standard_output_holds_one_thing(tmp_path: Path, capsys):
    table = tmp_path / "own.csv"
    table.write_text(HEAD + GOOD)
    assert run(["validate", str(table), "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["summary"]["predicted_count"] == 1
