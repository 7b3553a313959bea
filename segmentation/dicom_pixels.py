"""Reads the pixels of one image and turns them into HU, whichever way they are stored.

Bare pixels go from the file straight into the caller's array. Compressed ones are decoded frame by frame: RLE
by pydicom, JPEG-LS by CharLS, JPEG 2000 by OpenJPEG, JPEG lossless by this package. A file is refused where
its pixels are cut off, where it holds more or fewer than its size needs, or where no rescale says what they
mean.
Source: DICOM PS3.5 annex A (transfer syntaxes, encapsulated frames), PS3.3 C.7.6.3, C.11.1 (rescale).
"""

from __future__ import annotations

import struct
import warnings
from typing import Any

import numpy as np
import numpy.typing as npt
from pydicom.encaps import get_frame
from pydicom.uid import (
    JPEG2000,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)

from segmentation.dicom_elements import ITEM, SEQUENCE_END, UNDEFINED_LENGTH, inflated
from segmentation.dicom_headers import Slice
from segmentation.errors import InputError
from segmentation.reading import NO_DATA_HU
from segmentation.vocabulary import NO_DATA_BELOW_HU

UNCOMPRESSED = (
    *(ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian),
    DeflatedExplicitVRLittleEndian,
)
"""published: DICOM PS3.5 annex A.1 to A.3 and A.5, the transfer syntaxes with bare pixels."""

DECODER_OF = {
    RLELossless: "pydicom",
    **dict.fromkeys((JPEGLSLossless, JPEGLSNearLossless), "pyjpegls"),
    **dict.fromkeys((JPEG2000Lossless, JPEG2000), "pillow"),
    **dict.fromkeys((JPEGLossless, JPEGLosslessSV1), "own"),
}
"""Which decoder is used, so that the result does not depend on what else is installed."""

LOSSY = (JPEGLSNearLossless, JPEG2000)
"""published: DICOM PS3.5 annex A.4; JPEG 2000 under this name may be lossless, which no header must say."""

END_OF_IMAGE = b"\xff\xd9"
"""published: ITU-T T.81 table B.1, T.87 table C.1, T.800 table A.2: the last marker of a codestream."""

FILLING_BYTES = 16
"""The end mark is among the last so many bytes. Our choice: archives fill up with a few zeros or ones."""

CODES = (
    *("MONOCHROME1", "MONOCHROME2", "PALETTE COLOR", "RGB", "YBR_FULL", "YBR_FULL_422"),
    *("US", "OD", "HU_MOD", "HGL", "Z_EFF", "ED", "EDW", "PCT", "MGML"),
)
"""published: DICOM PS3.3 C.7.6.3.1.2 (photometric interpretation) and C.11.1.1.2 (rescale type)."""


def fault_of(slice_: Slice) -> str | None:
    """What keeps this image's pixels from being read, or None; asked before any pixel is."""
    stored = slice_.stored
    if slice_.syntax not in UNCOMPRESSED and slice_.syntax not in DECODER_OF:
        return f"is compressed or encoded as {syntax_name(slice_)}, which is not read"
    if slice_.pixel_offset is None:
        return "holds no pixel data"
    if stored.samples != 1 or stored.photometric != "MONOCHROME2":
        return f"is not a plain grey image ({stored.samples} samples a pixel, {_code(stored.photometric)})"
    usual_bits = stored.bits_allocated == 16 and 1 <= stored.bits_stored <= 16
    if not usual_bits or stored.high_bit != stored.bits_stored - 1:
        return (
            f"stores its values in an unusual way ({stored.bits_allocated} bits allocated,"
            f" {stored.bits_stored} stored, highest bit {stored.high_bit})"
        )
    if slice_.slope_factor is None or slice_.intercept_hu is None or slice_.slope_factor == 0:
        return "has no rescale slope and intercept, so its values are not HU"
    if slice_.unit != "HU":
        return f"is rescaled to {_code(slice_.unit)}, not to HU"
    if min(stored.rows, stored.columns) < 1:
        return "has no rows or no columns"
    return None if slice_.syntax in DECODER_OF else _wrong_amount_of_pixels(slice_)


def _wrong_amount_of_pixels(slice_: Slice) -> str | None:
    expected = slice_.stored.frame_bytes * slice_.frame_count
    if slice_.pixel_bytes_present < expected:
        return f"is cut off: {slice_.pixel_bytes_present} bytes of pixel data where {expected} are needed"
    # published: PS3.5 section 8.1.1, a value of odd length is padded; the length is even here already.
    if slice_.pixel_bytes != expected:
        return f"says it has {slice_.pixel_bytes} bytes of pixel data where its size needs {expected}"
    return None


def is_lossy(slice_: Slice) -> bool:
    """Whether the pixels were ever compressed with loss, as far as the header and the encoding tell."""
    return slice_.lossy_before or slice_.syntax in LOSSY


class PixelReader:
    """Reads images one after the other; keeps the file of the last one, as frames share it."""

    def __init__(self) -> None:
        self._kept: tuple[Any, bytes] | None = None

    def fill(self, raw: npt.NDArray[np.uint16], slice_: Slice) -> None:
        """The stored values (rows, columns) of the image, as the 16 bits they are in native order."""
        try:
            if slice_.syntax in DECODER_OF:
                raw[:] = self._decoded(slice_).view(np.uint16)
                return
            if slice_.syntax == DeflatedExplicitVRLittleEndian:
                content = self._content(slice_)
                begin = _frame_offset(slice_)
                part = content[begin : begin + raw.nbytes]
                count = len(part)
                raw.data.cast("B")[:count] = part
            else:
                with slice_.path.open("rb", buffering=0) as file:
                    file.seek(_frame_offset(slice_))
                    count = file.readinto(raw.data.cast("B"))
        except OSError as error:
            raise InputError(f"{slice_.label} cannot be read ({error.strerror}); check the disk") from error
        if count != raw.nbytes:
            raise InputError(
                f"{slice_.label} became shorter while it was read; try again when nothing writes to it"
            )
        if slice_.big_endian:
            raw.byteswap(inplace=True)

    def _content(self, slice_: Slice) -> bytes:
        if self._kept is None or self._kept[0] != slice_.path:
            deflated = slice_.syntax == DeflatedExplicitVRLittleEndian
            if deflated:
                content = inflated(slice_.path)
            else:
                with slice_.path.open("rb") as file:
                    file.seek(slice_.pixel_offset or 0)
                    content = file.read()
            self._kept = slice_.path, content
        return self._kept[1]

    def _decoded(self, slice_: Slice) -> npt.NDArray[Any]:
        stored, name = slice_.stored, syntax_name(slice_)
        content = self._content(slice_)
        fragments = _fragments(content)
        if fragments is None:
            raise InputError(
                f"{slice_.label} is cut off: its compressed pixel data ({name}) end early; export it again"
            )
        try:
            # pydicom warns where a codestream disagrees with its header; it corrects that itself.
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                image = _decode(content[:fragments], slice_)
        except MemoryError:
            raise
        except Exception as error:  # decoders raise whatever they stumble over, of no common kind
            raise InputError(
                f"{slice_.label} has compressed pixel data ({name}) that cannot be decoded; export the series"
                " uncompressed"
            ) from error
        if image.shape != (stored.rows, stored.columns) or image.dtype.itemsize != 2:
            raise InputError(
                f"{slice_.label} has compressed pixel data ({name}) of another size than its header says;"
                " export the series uncompressed"
            )
        return np.ascontiguousarray(image)


def _frame_offset(slice_: Slice) -> int:
    return (slice_.pixel_offset or 0) + slice_.frame * slice_.stored.frame_bytes


def _fragments(content: bytes) -> int | None:
    """How many bytes the items of encapsulated pixel data take with their delimiter; None if cut off."""
    position = 0
    while position + 8 <= len(content):
        group, element, length = struct.unpack_from("<HHI", content, position)
        position += 8
        if group << 16 | element == SEQUENCE_END:
            return position
        if group << 16 | element != ITEM or length == UNDEFINED_LENGTH:
            return None
        position += length
    return None


def _decode(content: bytes, slice_: Slice) -> npt.NDArray[Any]:
    """One frame (rows, columns) of encapsulated pixel data, signed as the header says."""
    stored, plugin = slice_.stored, DECODER_OF[slice_.syntax]
    frame = get_frame(content, slice_.frame, number_of_frames=slice_.frame_count)
    if slice_.syntax != RLELossless and END_OF_IMAGE not in frame[-FILLING_BYTES:]:
        # Decoders fill up what is missing, and nobody would see that it is.
        raise ValueError("cut off")
    if plugin == "own":
        # Only this encoding needs a compiler, which takes its time to load.
        from segmentation.jpeg_lossless import decode

        samples, precision = decode(frame, stored.rows, stored.columns)
        if stored.signed and precision < 16:
            # The codestream holds bare bits; the sign is the highest of them.
            filling = 16 - precision
            return np.asarray((samples << np.uint16(filling)).view(np.int16) >> np.int16(filling))
        return samples
    from pydicom.pixels import get_decoder

    image, _ = get_decoder(slice_.syntax).as_array(
        content,
        index=slice_.frame,
        raw=True,
        decoding_plugin=plugin,
        rows=stored.rows,
        columns=stored.columns,
        number_of_frames=slice_.frame_count,
        samples_per_pixel=1,
        photometric_interpretation=stored.photometric,
        bits_allocated=stored.bits_allocated,
        bits_stored=stored.bits_stored,
        pixel_representation=int(stored.signed),
        pixel_keyword="PixelData",
        transfer_syntax_uid=slice_.syntax,
    )
    return np.asarray(image)


def to_hu(raw: npt.NDArray[np.uint16], slice_: Slice) -> tuple[npt.NDArray[Any], int]:
    """HU (rows, columns) of the stored values, and how many were padding that passes for tissue."""
    stored = slice_.stored
    padding = _is_padding(raw, slice_)
    values = raw.view(np.int16) if stored.signed else raw
    low = -(1 << (stored.bits_stored - 1)) if stored.signed else 0
    high = low + (1 << stored.bits_stored) - 1
    outside = (values < low) | (values > high) if stored.bits_stored < 16 else None
    if outside is not None and padding is not None:
        outside &= ~padding
    if outside is not None and outside.any():
        raise InputError(
            f"{slice_.label} holds values that need more than the {stored.bits_stored} bits its header"
            " states; export the series again"
        )
    slope, intercept_hu = slice_.slope_factor, slice_.intercept_hu
    assert slope is not None  # fault_of told of it otherwise; for the type checker
    assert intercept_hu is not None
    if (slope, intercept_hu) == (1, 0):
        hu: npt.NDArray[Any] = values.astype(np.int32) if padding is not None else values
    elif slope.is_integer() and intercept_hu.is_integer() and max(abs(slope), abs(intercept_hu)) < (1 << 14):
        hu = values.astype(np.int32) * np.int32(slope) + np.int32(intercept_hu)
    else:
        hu = values.astype(np.float64) * slope + intercept_hu
    if padding is None:
        return hu, 0
    hidden = padding & (hu >= NO_DATA_BELOW_HU)
    hu[hidden] = NO_DATA_HU
    return hu, int(np.count_nonzero(hidden))


def _is_padding(raw: npt.NDArray[np.uint16], slice_: Slice) -> npt.NDArray[np.bool_] | None:
    """Where the padding value, or the range it opens, is stored; None where no voxel holds it."""
    if slice_.padding is None:
        return None
    if slice_.stored.signed:
        # The tag may be written unsigned for signed pixels (63536 for -2000): both are the same 16 bits.
        ends = [(end + (1 << 15)) % (1 << 16) - (1 << 15) for end in slice_.padding]
        values: npt.NDArray[Any] = raw.view(np.int16)
    else:
        ends, values = [end % (1 << 16) for end in slice_.padding], raw
    padding = values == ends[0] if ends[0] == ends[1] else (values >= min(ends)) & (values <= max(ends))
    return padding if padding.any() else None


def syntax_name(slice_: Slice) -> str:
    """The transfer syntax in the standard's words."""
    name = slice_.syntax.name
    return name if slice_.syntax and name != slice_.syntax else "an unknown transfer syntax"


def _code(text: str) -> str:
    """A header's code word, only where the standard has it: other text might tell who the patient is."""
    return text if text in CODES else "something else"
