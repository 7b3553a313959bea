"""Read and write a surface as PLY, the open polygon file format, in patient millimetres (RAS+).

Written as binary little-endian with double vertices, so that a surface read back is the same to the last bit.
PLY has no frame of its own: a file given by a person is taken to be in RAS+ mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from segmentation.errors import InputError
from segmentation.files import refusals_as_sentences, shown
from segmentation.vocabulary import Cortex, Surface

SURFACE_BYTES_MAX = 2**30
"""Largest surface file read. Our choice: 1 GB holds 20 million triangles."""

_VERTEX = np.dtype([("x", "<f8"), ("y", "<f8"), ("z", "<f8")])
_CORTEX = (
    "position_sd_mm",
    "thickness_mm",
    "thickness_sd_mm",
    "thickness_known",
    "cortex_hu",
    "mass_hu_mm",
    "place",
)
"""Properties of a vertex after its coordinates, where the cortex was measured. The last is missing where it
is not known, as in files from before it was kept."""

_BYTES = ("thickness_known", "place")
"""Those that are one byte: 0 or 1, and the number of a Place. The others are floats."""

_FACE = np.dtype([("count", "u1"), ("corners", "<i4", (3,))])


def _measured_vertex(names: tuple[str, ...]) -> np.dtype[Any]:
    return np.dtype([*_VERTEX.descr, *((name, "u1" if name in _BYTES else "<f4") for name in names)])


def ply_bytes(
    surface: Surface, cortex: Cortex | None = None, columns: Mapping[str, npt.NDArray[Any]] | None = None
) -> bytes:
    """``surface`` as a PLY file, with what was measured of its cortex as properties of each vertex.

    ``columns`` are other properties, each (n,): floats are written with 4 bytes, truth values with one.
    """
    vertices = np.ascontiguousarray(surface.vertices_mm, "<f8").view(_VERTEX).reshape(-1)
    extra = ""
    if cortex is not None:
        names = _CORTEX if cortex.place is not None else _CORTEX[:-1]
        measured = np.empty(len(vertices), _measured_vertex(names))
        for axis in "xyz":
            measured[axis] = vertices[axis]
        for name in names:
            measured[name] = getattr(cortex, name)
        vertices = measured
        extra = "".join(f"property {'uchar' if name in _BYTES else 'float'} {name}\n" for name in names)
    if columns is not None:
        kinds = {name: values.dtype == np.bool_ for name, values in columns.items()}
        wider = np.empty(len(vertices), _with_columns(kinds))
        for axis in "xyz":
            wider[axis] = vertices[axis]
        for name, values in columns.items():
            wider[name] = values
        vertices = wider
        extra = "".join(f"property {'uchar' if kinds[name] else 'float'} {name}\n" for name in columns)
    faces = np.empty(len(surface.faces), _FACE)
    faces["count"], faces["corners"] = 3, surface.faces
    header = (
        "ply\nformat binary_little_endian 1.0\ncomment patient millimetres, RAS+\n"
        f"element vertex {len(vertices)}\nproperty double x\nproperty double y\nproperty double z\n"
        f"{extra}"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    return header.encode() + vertices.tobytes() + faces.tobytes()


def _with_columns(kinds: Mapping[str, bool]) -> np.dtype[Any]:
    """A vertex with further properties; ``kinds`` tells which of them are truth values."""
    return np.dtype([*_VERTEX.descr, *((name, "u1" if truth else "<f4") for name, truth in kinds.items())])


def read_columns(path: Path, kinds: Mapping[str, bool]) -> dict[str, npt.NDArray[Any]]:
    """The columns that ``ply_bytes`` wrote. InputError where the file has others.

    ``kinds`` tells their names, in order, and which are truth values.
    """
    content = path.read_bytes()
    header, _, body = content.partition(b"end_header\n")
    lines = header.decode(errors="replace").splitlines()
    told = [line for line in lines if line.startswith("property") and "list" not in line]
    wanted = [f"property double {axis}" for axis in "xyz"]
    wanted += [f"property {'uchar' if truth else 'float'} {name}" for name, truth in kinds.items()]
    count = next((int(line.split()[2]) for line in lines if line.startswith("element vertex")), 0)
    row = _with_columns(kinds)
    if told != wanted or len(body) < count * row.itemsize:
        raise InputError(f"{shown(path.name)} has other values than a case's has; segment again")
    rows = np.frombuffer(body[: count * row.itemsize], row)
    return {name: rows[name].astype(bool if truth else float) for name, truth in kinds.items()}


def read_cortex(path: Path) -> Cortex | None:
    """What ``ply_bytes`` wrote of the cortex; None where it wrote nothing."""
    with path.open("rb") as file:
        header = b""
        while not header.endswith(b"end_header\n"):
            line = file.readline()
            if not line:
                return None
            header += line
        if f"property float {_CORTEX[0]}\n".encode() not in header:
            return None
        count = int(
            next(line for line in header.split(b"\n") if line.startswith(b"element vertex")).split()[2]
        )
        names = _CORTEX if b"property uchar place\n" in header else _CORTEX[:-1]
        kind = _measured_vertex(names)
        rows = np.frombuffer(file.read(count * kind.itemsize), kind)
    kinds = {"thickness_known": bool, "place": np.uint8}
    return Cortex(**{name: rows[name].astype(kinds.get(name, float)) for name in names})


def read_ply(path: Path) -> Surface:
    """The triangles of a PLY file, taken as RAS+ mm. Raises InputError when it is broken or empty."""
    name = shown(path.name)
    if path.is_dir():
        raise InputError(f"{name} is a folder; give a PLY file")
    with refusals_as_sentences(f"cannot read {name}"), path.open("rb") as file:
        content = file.read(SURFACE_BYTES_MAX + 1)
    if len(content) > SURFACE_BYTES_MAX:
        raise InputError(f"{name} is larger than {SURFACE_BYTES_MAX // 2**20} MB; give a coarser surface")
    return surface_of_ply(content, name)


def surface_of_ply(content: bytes, name: str) -> Surface:
    """The surface in the PLY file ``content``; ``name`` is what an error calls it."""
    import trimesh  # takes a third of a second, and only a surface needs it

    if not content.startswith(b"ply"):
        raise InputError(
            f"{name} is not a PLY file (it does not begin with 'ply'); export the surface as PLY"
        )
    try:
        mesh = trimesh.load_mesh(BytesIO(content), file_type="ply", process=False)
        vertices_mm, faces = np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int64)
    except Exception as fault:  # the parser fails in as many ways as files can be broken
        raise InputError(f"{name} is a broken PLY file; export the surface again") from fault
    if faces.ndim != 2 or faces.shape[1:] != (3,) or not len(faces):
        raise InputError(f"{name} holds no triangle; export the surface as a triangle mesh")
    if not np.isfinite(vertices_mm).all():
        raise InputError(f"{name} holds a vertex that is not finite; export the surface again")
    if faces.min() < 0 or faces.max() >= len(vertices_mm):
        raise InputError(f"{name} has a triangle with a vertex that does not exist; export the surface again")
    return Surface(vertices_mm, faces.astype(np.int32))
