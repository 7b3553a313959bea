"""Finds, in one DICOM file, the few fields asked for and where the pixels begin, without reading further.

A general reader turns every field of a header into an object; a scan has hundreds of files with a hundred
fields each, and twenty of them are needed. Here the file's first bytes are walked from field to field, and a
field that nobody asked for, above all any that tells who the patient is, is stepped over unread. Where a file
departs from the standard's plain order, pydicom judges it instead: same result, slower.
Source: DICOM PS3.5 section 7 (elements), 7.5 (sequences), annex A.5 (deflated), PS3.10 section 7.1 (files).
"""

from __future__ import annotations

import struct
import warnings
import zlib
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

import pydicom
from pydicom.errors import InvalidDicomError
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
)

FIRST_BYTES, MOST_HEADER_BYTES = 1 << 14, 1 << 26
"""Read at first and at most before the pixels are reached. Our choice: usual headers have 3 to 12 kB."""

MOST_INFLATED_BYTES = 1 << 30
"""A deflated file may grow to this. Our choice: 2,000 slices of 512×512; a bomb grows a thousandfold."""

MARK_OFFSET, META_OFFSET = 128, 132
"""published: PS3.10 section 7.1, the letters DICM follow a preamble of 128 bytes."""

PIXEL_DATA = 0x7FE00010
MEDIA_CLASS, SYNTAX = 0x00020002, 0x00020010
ITEM, ITEM_END, SEQUENCE_END = 0xFFFEE000, 0xFFFEE00D, 0xFFFEE0DD
"""published: PS3.6 and PS3.5 section 7.5."""

UNDEFINED_LENGTH = 0xFFFFFFFF

LONG = frozenset((b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ", b"SV", b"UC", b"UN", b"UR", b"UT", b"UV"))
SHORT = frozenset(
    (
        *(b"AE", b"AS", b"AT", b"CS", b"DA", b"DS", b"DT", b"FD", b"FL", b"IS", b"LO", b"LT", b"PN"),
        *(b"SH", b"SL", b"SS", b"ST", b"TM", b"UI", b"UL", b"US"),
    )
)
"""published: PS3.5 section 7.1.2, value representations with a length of 32 and of 16 bits."""


@dataclass(frozen=True, eq=False)
class Elements:
    """Raw values of the fields asked for, by tag, and where Pixel Data's value lies in the file.

    ``pixel_offset`` counts from the file's beginning or, in a deflated file, from that of its inflated part;
    ``pixel_bytes`` is the length stated, UNDEFINED_LENGTH where compressed frames follow.
    """

    values: dict[int, bytes]
    syntax: UID
    media_class: UID
    big_endian: bool
    pixel_offset: int | None
    pixel_bytes: int
    bytes_present: int

    def text(self, tag: int) -> str:
        """The field as text, without the padding; empty where it is missing."""
        return self.values.get(tag, b"").decode("latin-1").strip(" \0")


class _NeedMoreError(Exception):
    """The walk left the bytes read so far."""


class _OddError(Exception):
    """Something a plain header does not have."""


def read_elements(path: Path, wanted: Collection[int]) -> Elements | None:
    """The elements of the DICOM file at ``path``; None where it is no DICOM file.

    Raises whatever pydicom raises for a damaged file.
    """
    with path.open("rb") as file:
        start = file.read(FIRST_BYTES)
        if start[MARK_OFFSET:META_OFFSET] != b"DICM":
            return None
        size = path.stat().st_size
        while True:
            try:
                return _walked(start, path, size, wanted)
            except (_OddError, struct.error):
                return _by_pydicom(file, wanted, size)
            except _NeedMoreError:
                if len(start) >= min(size, MOST_HEADER_BYTES):
                    return _by_pydicom(file, wanted, size)
                start += file.read(len(start) * 7)


def inflated(path: Path) -> bytes:
    """The data set of a deflated file, inflated."""
    whole = path.read_bytes()
    begin = _walk(whole, META_OFFSET, "<", explicit=True, wanted=(), last_group=2)[1]
    engine = zlib.decompressobj(-zlib.MAX_WBITS)
    content = engine.decompress(whole[begin:], MOST_INFLATED_BYTES)
    if engine.unconsumed_tail:
        raise ValueError(f"deflated data beyond {MOST_INFLATED_BYTES} bytes")
    return content


def _walked(start: bytes, path: Path, size: int, wanted: Collection[int]) -> Elements:
    meta, begin, _ = _walk(start, META_OFFSET, "<", explicit=True, wanted=(MEDIA_CLASS, SYNTAX), last_group=2)
    syntax = _uid(meta.get(SYNTAX, b""))
    if syntax == DeflatedExplicitVRLittleEndian:
        start = inflated(path)
        begin, size = 0, len(start)
    order = ">" if syntax == ExplicitVRBigEndian else "<"
    values, offset, length = _walk(
        start, begin, order, explicit=syntax != ImplicitVRLittleEndian, wanted=wanted, size=size
    )
    pixels = None if length is None else offset
    present = 0 if pixels is None else size - pixels
    media_class = _uid(meta.get(MEDIA_CLASS, b""))
    return Elements(values, syntax, media_class, order == ">", pixels, length or 0, present)


def _walk(
    data: bytes,
    position: int,
    order: str,
    *,
    explicit: bool,
    wanted: Collection[int],
    last_group: int | None = None,
    size: int | None = None,
) -> tuple[dict[int, bytes], int, int | None]:
    """Values by tag; where the walk ended: at Pixel Data's value, with its length, or with None."""
    values: dict[int, bytes] = {}
    two, four, pair = (struct.Struct(order + form).unpack_from for form in ("H", "I", "HH"))
    previous = 0
    while position != size:
        if position + 12 > len(data):
            if position + 8 > (len(data) if size is None else size):
                raise _OddError
            raise _NeedMoreError
        group, element = pair(data, position)
        tag = group << 16 | element
        if last_group is not None and group != last_group:
            return values, position, None
        if tag <= previous:
            raise _OddError
        previous = tag
        if not explicit:
            length, begin = four(data, position + 4)[0], position + 8
        elif (kind := data[position + 4 : position + 6]) in SHORT:
            length, begin = two(data, position + 6)[0], position + 8
        elif kind in LONG:
            length, begin = four(data, position + 8)[0], position + 12
        else:
            raise _OddError
        if tag == PIXEL_DATA:
            return values, begin, length
        if length == UNDEFINED_LENGTH:
            if explicit and kind != b"SQ":
                raise _OddError
            position = _after_sequence(data, begin, order, explicit)
            continue
        position = begin + length
        if tag in wanted:
            if position > len(data):
                raise _NeedMoreError
            values[tag] = data[begin:position]
    return values, position, None


def _after_sequence(data: bytes, position: int, order: str, explicit: bool) -> int:
    """Where the sequence of undefined length that begins at ``position`` ends."""
    while True:
        tag, length = _item(data, position, order)
        position += 8
        if tag == SEQUENCE_END:
            return position
        if tag != ITEM:
            raise _OddError
        position = (
            position + length if length != UNDEFINED_LENGTH else _after_item(data, position, order, explicit)
        )


def _after_item(data: bytes, position: int, order: str, explicit: bool) -> int:
    while True:
        tag, length = _item(data, position, order)
        if tag == ITEM_END:
            return position + 8
        begin, kind = position + 8, data[position + 4 : position + 6]
        if explicit and kind in SHORT:
            length = struct.unpack_from(order + "H", data, position + 6)[0]
        elif explicit and kind in LONG:
            length, begin = struct.unpack_from(order + "I", data, position + 8)[0], position + 12
        elif explicit:
            raise _OddError
        if length == UNDEFINED_LENGTH:
            if explicit and kind != b"SQ":
                raise _OddError
            position = _after_sequence(data, begin, order, explicit)
        else:
            position = begin + length


def _item(data: bytes, position: int, order: str) -> tuple[int, int]:
    if position + 12 > len(data):
        raise _NeedMoreError
    group, element, length = struct.unpack_from(order + "HHI", data, position)
    return group << 16 | element, length


@contextmanager
def pydicom_silent() -> Iterator[None]:
    """Keep pydicom from warning of every header that bends the standard, as real ones do.

    Numbers over 16 characters are one of many; what matters is judged in this package, by name. Values are
    parsed when they are asked for, so asking belongs inside too.
    """
    with warnings.catch_warnings(), pydicom.config.disable_value_validation():
        warnings.simplefilter("ignore")
        yield


def _by_pydicom(file: BinaryIO, wanted: Collection[int], size: int) -> Elements | None:
    file.seek(0)
    with pydicom_silent():
        try:
            header = pydicom.dcmread(file, stop_before_pixels=True, specific_tags=list(wanted))
        except InvalidDicomError:
            return None
        values = {tag: value for tag in wanted if (value := _raw(header, tag)) is not None}
        meta = header.file_meta
        syntax, media_class = (
            str(meta.get(name) or "") for name in ("TransferSyntaxUID", "MediaStorageSOPClassUID")
        )
        implicit, little_endian = header.original_encoding
    order = "<" if little_endian else ">"
    start = file.read(8 if implicit else 12)
    offset: int | None = None
    length = 0
    if syntax != DeflatedExplicitVRLittleEndian and len(start) == (8 if implicit else 12):
        group, element = struct.unpack(f"{order}HH", start[:4])
        if group << 16 | element == PIXEL_DATA:
            offset, length = file.tell(), int(struct.unpack(f"{order}I", start[-4:])[0])
    present = 0 if offset is None else size - offset
    return Elements(values, UID(syntax), UID(media_class), not little_endian, offset, length, present)


def _raw(header: Any, tag: int) -> bytes | None:
    """The element's bytes as they stand in the file; None where it is missing or was no plain value."""
    if tag not in header:
        return None
    value = header.get_item(tag).value
    return value if isinstance(value, bytes) else None


def _uid(value: bytes) -> UID:
    return UID(value.decode("latin-1").strip(" \0"))


def sequences(path: Path, tags: Collection[int]) -> Any:
    """The data set of the file at ``path`` with the sequences ``tags`` of its header, by pydicom."""
    with pydicom_silent():
        return pydicom.dcmread(BytesIO(path.read_bytes()), stop_before_pixels=True, specific_tags=list(tags))
