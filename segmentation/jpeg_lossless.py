"""Decodes lossless JPEG (process 14), as hospital archives store CT, and survives damaged data.

Each sample is a prediction from its neighbours to the left and above plus a Huffman-coded difference, modulo
2^16. Decoders written in C end the whole program on damaged data; this one raises ValueError.
Source: ITU-T T.81 (ISO/IEC 10918-1) annex H (lossless mode), annex C and F.2.2 (Huffman codes), annex B
(markers).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

SOI, EOI, SOS, DHT, DRI, SOF_LOSSLESS = 0xD8, 0xD9, 0xDA, 0xC4, 0xDD, 0xC3
FIRST_SOF, LAST_SOF, FIRST_RST, LAST_RST = 0xC0, 0xCF, 0xD0, 0xD7
"""published: T.81 table B.1."""

NOT_FRAMES = (DHT, 0xC8, 0xCC)
"""published: T.81 table B.1, markers among the start-of-frame codes that are none."""

LONGEST_CODE = 16
"""published: T.81 annex C, bits of a Huffman code at most."""

DONE, CUT_OFF, BAD_CODE, BAD_RESTART = 0, 1, 2, 3


@dataclass(eq=False)
class _Frame:
    """What the markers say before the coded data begin at ``start``."""

    tables: dict[int, npt.NDArray[np.int64]] = field(default_factory=dict)
    precision: int = 0
    rows: int = 0
    columns: int = 0
    restart: int = 0
    table: int = 0
    predictor: int = 0
    shift: int = 0
    start: int = 0


def decode(content: bytes, rows: int, columns: int) -> tuple[npt.NDArray[np.uint16], int]:
    """The samples (rows, columns) of one grey image and its precision in bits.

    Raises ValueError where the data are damaged, cut off, of another size, or of another JPEG process.
    """
    frame = _markers(content)
    if (frame.rows, frame.columns) != (rows, columns):
        raise ValueError(f"{frame.rows}×{frame.columns} samples")
    table = frame.tables.get(frame.table)
    if table is None:
        raise ValueError("no Huffman table")
    # Signed and wide: the compiler would make floats of signed and unsigned numbers mixed.
    samples = np.zeros((rows, columns), np.int64)
    data = np.frombuffer(content, np.uint8)
    code = _samples(
        data, frame.start, table, samples, frame.predictor, frame.precision - frame.shift, frame.restart
    )
    if code != DONE:
        raise ValueError({CUT_OFF: "cut off", BAD_CODE: "no such code", BAD_RESTART: "bad restart"}[code])
    return (samples << frame.shift).astype(np.uint16), frame.precision


def _markers(content: bytes) -> _Frame:
    frame = _Frame()
    if content[:2] != bytes((0xFF, SOI)):
        raise ValueError("no start of image")
    position = 2
    while position + 4 <= len(content):
        if content[position] != 0xFF:
            raise ValueError("no marker")
        marker = content[position + 1]
        if marker == 0xFF:
            position += 1
            continue
        length = int.from_bytes(content[position + 2 : position + 4], "big")
        body = content[position + 4 : position + 2 + length]
        if length < 2 or len(body) != length - 2:
            raise ValueError("cut off")
        position += 2 + length
        if marker == SOF_LOSSLESS:
            _read_frame(body, frame)
        elif FIRST_SOF <= marker <= LAST_SOF and marker not in NOT_FRAMES:
            raise ValueError("another JPEG process")
        elif marker == DHT:
            _read_tables(body, frame.tables)
        elif marker == DRI and len(body) == 2:
            frame.restart = int.from_bytes(body, "big")
        elif marker == SOS:
            _read_scan(body, frame)
            frame.start = position
            return frame
    raise ValueError("no scan")


def _read_frame(body: bytes, frame: _Frame) -> None:
    if len(body) != 9 or body[5] != 1 or not 2 <= body[0] <= 16:
        raise ValueError("not one component of 2 to 16 bits")
    frame.precision = body[0]
    frame.rows, frame.columns = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")


def _read_scan(body: bytes, frame: _Frame) -> None:
    if len(body) != 6 or body[0] != 1:
        raise ValueError("not one component in the scan")
    frame.table, frame.predictor, frame.shift = body[2] >> 4, body[3], body[5] & 15
    in_range = 1 <= frame.predictor <= 7 and frame.shift < frame.precision
    if not in_range or (frame.restart and frame.restart % frame.columns):
        raise ValueError("no such scan")


def _read_tables(body: bytes, tables: dict[int, npt.NDArray[np.int64]]) -> None:
    """For each table, by the next 16 bits of the data: length and symbol of the code they begin with."""
    while body:
        counts, total = body[1:17], sum(body[1:17])
        symbols = body[17 : 17 + total]
        if len(counts) != LONGEST_CODE or len(symbols) != total or any(symbol > 16 for symbol in symbols):
            raise ValueError("bad Huffman table")
        table = np.zeros((1 << LONGEST_CODE, 2), np.int64)
        place, number = 0, 0
        for length, count in enumerate(counts, start=1):
            span = 1 << (LONGEST_CODE - length)
            for _ in range(count):
                if place + span > len(table):
                    raise ValueError("bad Huffman table")
                table[place : place + span] = length, symbols[number]
                place, number = place + span, number + 1
        tables[body[0] & 15] = table
        body = body[17 + total :]


@njit(cache=True)  # type: ignore[untyped-decorator]
def _samples(
    data: Any,
    position: int,
    table: Any,
    samples: Any,
    predictor: int,
    bits: int,
    restart: int,
) -> int:
    rows, columns = samples.shape
    window, held, spare = 0, 0, 0
    left_to_restart = restart
    first_row = 0
    for row in range(rows):
        if restart and left_to_restart == 0:
            # The rest of the last byte is filling; the marker follows.
            while position + 1 < len(data) and data[position] == 0xFF and data[position + 1] == 0xFF:
                position += 1
            if position + 1 >= len(data) or data[position] != 0xFF:
                return BAD_RESTART
            if not FIRST_RST <= data[position + 1] <= LAST_RST or held - spare >= 8:
                return BAD_RESTART
            position += 2
            window, held, spare = 0, 0, 0
            left_to_restart, first_row = restart, row
        left_to_restart -= columns
        for column in range(columns):
            # A code and its difference take 32 bits at most.
            while held < 32:
                byte = 0
                if position < len(data) and data[position] != 0xFF:
                    byte = data[position]
                    position += 1
                elif position + 1 < len(data) and data[position + 1] == 0:
                    byte = 0xFF
                    position += 2
                else:
                    # At a marker or the end: zeros that must not be used.
                    spare += 8
                window = (window << 8) | byte
                held += 8
            code = (window >> (held - 16)) & 0xFFFF
            length, size = table[code, 0], table[code, 1]
            if length == 0:
                return BAD_CODE
            held -= length
            difference = 0
            if size == 16:
                difference = 32768
            elif size:
                held -= size
                difference = (window >> held) & ((1 << size) - 1)
                if difference < (1 << (size - 1)):
                    difference -= (1 << size) - 1
            if held < spare:
                return CUT_OFF
            window &= (1 << held) - 1
            if row == first_row:
                predicted = 1 << (bits - 1) if column == 0 else samples[row, column - 1]
            elif column == 0:
                predicted = samples[row - 1, 0]
            else:
                a, b = samples[row, column - 1], samples[row - 1, column]
                c = samples[row - 1, column - 1]
                if predictor == 1:
                    predicted = a
                elif predictor == 2:
                    predicted = b
                elif predictor == 3:
                    predicted = c
                elif predictor == 4:
                    predicted = a + b - c
                elif predictor == 5:
                    predicted = a + ((b - c) >> 1)
                elif predictor == 6:
                    predicted = b + ((a - c) >> 1)
                else:
                    predicted = (a + b) >> 1
            samples[row, column] = (predicted + difference) & 0xFFFF
    return DONE
