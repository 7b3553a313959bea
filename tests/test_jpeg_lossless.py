"""Checks the lossless JPEG decoder on every predictor, restarts and point transforms of ITU-T T.81 annex H.

The codestreams are written here by the standard's own definitions; GDCM, an independent decoder, must read
them too, so that encoder and decoder cannot share a mistake.
"""

from __future__ import annotations

import gdcm
import numpy as np
import pydicom
import pytest
from dicom_making import setting, write_slice
from pydicom.encaps import encapsulate

from segmentation.jpeg_lossless import decode

CODE_BITS = 5
"""Every category gets a code of 5 bits here: 17 of the 32, none of them all ones, as T.81 annex C asks."""


def prediction(image, row, column, predictor, bits, restart_rows):
    """published: T.81 table H.1 and H.1.2.1."""
    above = None if row % (restart_rows or len(image)) == 0 else image[row - 1]
    if above is None:
        return 1 << (bits - 1) if column == 0 else image[row][column - 1]
    if column == 0:
        return above[0]
    a, b, c = image[row][column - 1], above[column], above[column - 1]
    choices = [a, b, c, a + b - c, a + ((b - c) >> 1), b + ((a - c) >> 1), (a + b) >> 1]
    return choices[predictor - 1]


def coded(values, bits):
    """The entropy-coded bytes, with stuffing, filled up with ones: T.81 F.1.2.3 and F.1.2.1.3."""
    text = []
    for value in values:
        difference = (value + (1 << 15)) % (1 << 16) - (1 << 15)
        if difference == -(1 << 15):
            text.append(f"{16:05b}")
            continue
        size = abs(difference).bit_length()
        text.append(f"{size:05b}")
        if size:
            text.append(f"{difference if difference > 0 else difference + (1 << size) - 1:0{size}b}")
    joined = "".join(text)
    joined += "1" * (-len(joined) % 8)
    packed = bytes(int(joined[place : place + 8], 2) for place in range(0, len(joined), 8))
    return packed.replace(b"\xff", b"\xff\x00")


def encode(samples, bits, predictor, shift=0, restart_rows=0):
    """One frame of ``samples`` (rows, columns), whose lowest ``shift`` bits are 0."""
    rows, columns = samples.shape
    image = [[int(value) >> shift for value in line] for line in samples]
    segments = []
    for first in range(0, rows, restart_rows or rows):
        lines = range(first, min(first + (restart_rows or rows), rows))
        differences = [
            image[row][column] - prediction(image, row, column, predictor, bits - shift, restart_rows)
            for row in lines
            for column in range(columns)
        ]
        segments.append(coded(differences, bits))
    body = segments[0]
    for number, segment in enumerate(segments[1:]):
        body += bytes((0xFF, 0xD0 + number % 8)) + segment
    table = bytes([0x00, *(17 if length == CODE_BITS else 0 for length in range(1, 17)), *range(17)])

    def marked(marker, content):
        return bytes((0xFF, marker)) + (len(content) + 2).to_bytes(2, "big") + content

    size = bytes([bits]) + rows.to_bytes(2, "big") + columns.to_bytes(2, "big") + bytes([1, 1, 0x11, 0])
    restart = marked(0xDD, (restart_rows * columns).to_bytes(2, "big")) if restart_rows else b""
    scan = marked(0xDA, bytes([1, 1, 0x00, predictor, 0, shift]))
    content = b"\xff\xd8" + marked(0xC3, size) + marked(0xC4, table) + restart + scan + body + b"\xff\xd9"
    return content + bytes(len(content) % 2)


def by_gdcm(content, samples, bits, folder):
    """The samples as GDCM decodes them out of a DICOM file."""
    path = folder / "packed"
    write_slice(path, samples, (0, 0, 0), change=setting(BitsStored=bits, HighBit=bits - 1))
    header = pydicom.dcmread(path)
    header.PixelData = encapsulate([content])
    header["PixelData"].is_undefined_length = True
    header["PixelData"].VR = "OB"
    header.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.4.57"
    header.save_as(path)
    reader = gdcm.ImageReader()
    reader.SetFileName(str(path))
    assert reader.Read()
    raw = reader.GetImage().GetBuffer().encode("utf-8", errors="surrogateescape")
    return np.frombuffer(raw, np.uint16).reshape(samples.shape)


@pytest.fixture
def samples():
    rng = np.random.default_rng(6)
    smooth = np.add.outer(np.arange(13) * 90, np.arange(17) * 70) + rng.integers(0, 40, (13, 17))
    smooth[4:7, 5:9] = rng.integers(0, 4096, (3, 4))
    return smooth.astype(np.uint16)


@pytest.mark.parametrize("predictor", range(1, 8))
@pytest.mark.parametrize("restart_rows", [0, 1, 4])
def test_every_predictor_with_and_without_restarts(samples, predictor, restart_rows, tmp_path):
    content = encode(samples, 12, predictor, restart_rows=restart_rows)
    np.testing.assert_array_equal(by_gdcm(content, samples, 12, tmp_path), samples)
    found, precision = decode(content, *samples.shape)
    assert precision == 12
    np.testing.assert_array_equal(found, samples)


@pytest.mark.parametrize(("bits", "predictor"), [(16, 1), (16, 4), (16, 7), (8, 6), (2, 2)])
def test_every_precision(bits, predictor):
    samples = np.random.default_rng(bits).integers(0, 1 << bits, (9, 11)).astype(np.uint16)
    found, precision = decode(encode(samples, bits, predictor), 9, 11)
    assert precision == bits
    np.testing.assert_array_equal(found, samples)


def test_differences_of_half_the_range_wrap_round():
    # published: T.81 H.1.2.2, category 16 is the difference 32768 and has no further bits.
    samples = np.array([[0, 32768], [32768, 0]], np.uint16)
    np.testing.assert_array_equal(decode(encode(samples, 16, 1), 2, 2)[0], samples)


def test_a_point_transform_shifts(samples):
    shifted = samples >> np.uint16(2) << np.uint16(2)
    np.testing.assert_array_equal(decode(encode(shifted, 12, 5, shift=2), *samples.shape)[0], shifted)


def test_damage_is_an_error_and_never_more(samples):
    content = encode(samples, 12, 4, restart_rows=4)
    for length in range(len(content) - 4):
        with pytest.raises(ValueError, match=r"cut off|no marker|no scan|no start|no such|bad"):
            decode(content[:length], *samples.shape)
    rng = np.random.default_rng(9)
    for _ in range(500):
        noisy = bytearray(content)
        noisy[rng.integers(len(content))] = rng.integers(256)
        try:
            decode(bytes(noisy), *samples.shape)
        except ValueError as error:
            assert str(error)  # noqa: PT017 - either outcome is right, anything else is not


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        (b"\xff\xc3", b"\xff\xc0", "another JPEG process"),
        (b"\xff\xd8", b"\xff\xd9", "no start of image"),
        (b"\xff\xc3\x00\x0b\x0c", b"\xff\xc3\x00\x0b\x11", "2 to 16 bits"),
        (b"\xff\xda\x00\x08\x01\x01\x00\x04", b"\xff\xda\x00\x08\x01\x01\x00\x00", "no such scan"),
        (b"\xff\xda\x00\x08\x01\x01\x00", b"\xff\xda\x00\x08\x01\x01\x30", "no Huffman table"),
        (b"\xff\xc4\x00\x24\x00\x00", b"\xff\xc4\x00\x24\x00\x09", "bad Huffman table"),
    ],
)
def test_what_is_wrong_is_told(samples, old, new, word):
    content = encode(samples, 12, 4)
    assert old in content
    with pytest.raises(ValueError, match=word):
        decode(content.replace(old, new, 1), *samples.shape)
    with pytest.raises(ValueError, match="13×17 samples"):
        decode(content, 17, 13)
