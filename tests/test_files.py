"""Files are written whole or not at all, and JSON is read strictly."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from segmentation.errors import InputError
from segmentation.files import (
    canonical_json,
    hold,
    parse_json,
    read_json,
    sha256_of_bytes,
    sha256_of_file,
    write_whole,
)


def test_a_write_that_fails_leaves_the_old_file_and_no_other(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    write_whole(path, b"old")

    def fails(file: Any) -> None:
        file.write(b"half of the n")
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError):
        write_whole(path, fails)
    assert [(one.name, one.read_bytes()) for one in tmp_path.iterdir()] == [("plan.json", b"old")]


def test_what_a_killed_write_left_goes_and_what_another_holds_stays(tmp_path: Path) -> None:
    left, held, foreign = (tmp_path / f".a.json.{name}.tmp" for name in ("0123abcd", "4567abcd", "mine"))
    for path in (left, held, foreign):
        path.write_bytes(b"half")
    with hold(held) as free:
        assert free
        write_whole(tmp_path / "a.json", b"whole")
    assert {path.name for path in tmp_path.iterdir()} == {"a.json", held.name, foreign.name}


def test_the_new_file_is_complete_before_it_takes_the_name(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    write_whole(path, b"old")

    def slow(file: Any) -> None:
        file.write(b"new and ")
        file.flush()
        assert path.read_bytes() == b"old"
        file.write(b"longer")

    write_whole(path, slow)
    assert path.read_bytes() == b"new and longer"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match="is a folder"):
        write_whole(tmp_path / "folder", b"x")
    with pytest.raises(InputError, match="no such file or directory"):
        write_whole(tmp_path / "missing" / "file.json", b"x")


def test_sha256_is_the_published_one(tmp_path: Path) -> None:
    """Source: FIPS 180-4 example, the digest of "abc"."""
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / "abc").write_bytes(b"abc")
    assert (
        sha256_of_bytes(b"abc")
        == sha256_of_file(tmp_path / "abc")
        == abc
        == hashlib.sha256(b"abc").hexdigest()
    )


STEADY = settings(deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
"""The same examples each time, on a busy machine too."""

JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**15), 10**15)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text('abcé"\\{[', max_size=5), inner, max_size=4)
    ),
    max_leaves=20,
)


@STEADY
@given(st.dictionaries(st.text("ab[{", max_size=3), JSON, max_size=4))
def test_json_comes_back_as_it_was_and_the_same_bytes_twice(document: dict[str, Any]) -> None:
    content = canonical_json(document)
    assert content == canonical_json(document)
    assert content.endswith(b"\n")
    back = parse_json(content, "a file")
    assert back == document
    assert list(back) == list(document)
    assert json.loads(content) == document


def test_rounding_and_one_zero() -> None:
    assert (
        canonical_json({"a": 1 / 3, "b": -1e-9, "c": 2}, decimals=6) == b'{"a": 0.333333, "b": 0.0, "c": 2}\n'
    )


def test_long_documents_have_one_line_a_part() -> None:
    text = canonical_json(
        {"list": [{"name": "x" * 60, "at": [1.0, 2.0]}, {"name": "y" * 60, "at": []}]}
    ).decode()
    assert len(text.splitlines()) == 6


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_never_written(value: float) -> None:
    with pytest.raises(ValueError, match="never holds"):
        canonical_json({"a": [value]})


REFUSED = {
    "empty": (b"", "is empty"),
    "blank": (b" \n", "is empty"),
    "not json": (b"length_mm: 24", "not JSON at line 1, column 1"),
    "cut short": (b'{"a": [1, 2', "not JSON"),
    "two documents": (b"{} {}", "not JSON"),
    "deep lists": (b"[" * 50_000 + b"]" * 50_000, "64 deep"),
    "deep objects": (b'{"a":' * 50_000, "64 deep"),
    "deep and not closed": (b"[" * 50_000, "64 deep"),
    "key twice": (b'{"a": 1, "b": 2, "a": 1}', "key 'a' twice"),
    "nan": (b'{"a": NaN}', "holds NaN"),
    "infinity": (b'{"a": -Infinity}', "holds -Infinity"),
    "too large": (b'{"a": 1e999}', "too large"),
    "long integer": (b"[" + b"9" * 10_000 + b"]", "18 digits"),
    "latin-1": ('{"a": "é"}'.encode("latin-1"), "not UTF-8"),
    "utf-16": ('{"a": 1}'.encode("utf-16"), "not UTF-8"),
    "control character": (b'{"a": "\x00"}', "not JSON"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_json_that_is_refused(tmp_path: Path, what: str) -> None:
    content, message = REFUSED[what]
    path = tmp_path / "file.json"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message) as error:
        read_json(path)
    assert "'file.json'" in str(error.value)
    assert len(str(error.value).splitlines()) == 1


def test_brackets_in_text_do_not_count_as_nesting() -> None:
    text = '"' + "[" * 100 + '\\"' + "{" * 100 + '"'
    assert parse_json(f"[{text}]".encode(), "a file") == ["[" * 100 + '"' + "{" * 100]


def test_nesting_just_allowed() -> None:
    assert parse_json(b"[" * 64 + b"]" * 64, "a file") is not None
    with pytest.raises(InputError):
        parse_json(b"[" * 65 + b"]" * 65, "a file")


def test_a_byte_order_mark_is_no_fault() -> None:
    """Common practice: some editors put it before UTF-8."""
    assert parse_json(b'\xef\xbb\xbf{"a": 1}', "a file") == {"a": 1}


def test_a_huge_file_is_refused(tmp_path: Path) -> None:
    with (tmp_path / "big.json").open("wb") as file:
        file.truncate(64 * 2**20 + 1)
    with pytest.raises(InputError, match="larger than 64 MB"):
        read_json(tmp_path / "big.json")


def test_a_missing_file_and_a_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cannot read 'none\.json': no such file"):
        read_json(tmp_path / "none.json")
    with pytest.raises(InputError, match="is a folder"):
        read_json(tmp_path)
