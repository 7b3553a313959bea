"""Where a command may write what a person asked for: a file of its own, or standard output as ``-``."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from segmentation.errors import InputError
from segmentation.files import shown, write_whole
from viewer.console import emit

STANDARD_OUTPUT = Path("-")


def check_output(path: Path | None, *, inputs: Iterable[Path | None] = ()) -> None:
    """Raise InputError unless ``path`` can be written and nothing needed is lost; asked before the work."""
    from segmentation.case import BONE, is_of_case

    if path is None or path == STANDARD_OUTPUT:
        return
    name = shown(path.name)
    if path.is_dir():
        raise InputError(f"{name} is a folder, not a file; give the name of a file to write")
    if not path.parent.is_dir():
        raise InputError(f"cannot write {name}: its folder does not exist; make the folder first")
    if not os.access(path.parent, os.W_OK):
        raise InputError(f"cannot write {name}: its folder is not yours to write to; give another place")
    if any(one is not None and path.exists() and one.exists() and path.samefile(one) for one in inputs):
        raise InputError(f"{name} is an input of this command and would be lost; give another name")
    if (path.parent / BONE).is_file() and is_of_case(path.name):
        raise InputError(f"{name} belongs to the case and would be lost; give another name")


def write_output(path: Path | None, content: bytes) -> None:
    """Write ``content`` to the file or to standard output; nothing when ``path`` is None."""
    if path == STANDARD_OUTPUT:
        emit(content.decode())
    elif path is not None:
        write_whole(path, content)
