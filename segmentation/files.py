"""Write a file whole or not at all, and read a JSON file without trusting it.

A file is written under a temporary name in the same folder, forced to the disk and then renamed over the old
one, so that whoever kills the program finds the old bytes or the new ones. JSON is read strictly: no key
twice, no NaN, no number too large for a float, no nesting deep enough to exhaust the reader. Numbers come
back exactly as written.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, NoReturn

from segmentation.errors import InputError

try:
    import fcntl
except ImportError:  # no POSIX: what killed runs leave then stays, as nobody can tell whether it is in use
    fcntl = None  # type: ignore[assignment]

JSON_BYTES_MAX = 64 * 2**20
"""The largest JSON file read. Our choice: the assessment of 100 screws of 200 mm takes 30 MB."""

JSON_NESTING_MAX = 64
"""Deepest brackets in brackets. Our choice: our own files need 7."""

JSON_DIGITS_MAX = 18
"""Longest integer. Our choice: one digit fewer than a 64-bit integer has."""

JSON_LINE_CHARACTERS = 110
"""A list or object stays on one line up to here. Our choice, for people who read the files."""

SHOWN_CHARACTERS = 60
"""As much of a person's own text as an error sentence repeats. Our choice."""

_TEMPORARY = re.compile(r"\..+\.[0-9a-f]{8}\.tmp")
_STRING_OR_BRACKET = re.compile(rb'"(?:[^"\\]++|\\.)*+"|[\[\]{}]', re.DOTALL)


def write_whole(path: Path, content: bytes | Callable[[IO[bytes]], None]) -> None:
    """Write ``content`` (bytes, or a function that writes to the open file) to ``path``, whole or not at all.

    Raises InputError where the system refuses; ``path`` is then as it was.
    """
    if path.is_dir():
        raise InputError(f"{shown(path.name)} is a folder, not a file; give the name of a file to write")
    if path.exists() and not path.is_file():
        raise InputError(f"{shown(path.name)} is a device, not a file; give the name of a file to write")
    stem = path.name[:80]
    temporary = path.with_name(f".{stem}.{secrets.token_hex(4)}.tmp")
    with refusals_as_sentences(f"cannot write {shown(path.name)}"):
        _remove_leftovers(path.parent, stem)
        try:
            write_and_flush(temporary, content)
            os.replace(temporary, path)  # noqa: PTH105 — the one call documented to be atomic
        except BaseException:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
        flush_folder(path.parent)


def _remove_leftovers(folder: Path, stem: str) -> None:
    for leftover in folder.glob(f".{literal(stem)}.{'[0-9a-f]' * 8}.tmp"):
        with hold(leftover) as free:
            if free:
                leftover.unlink(missing_ok=True)


def write_and_flush(path: Path, content: bytes | Callable[[IO[bytes]], None]) -> None:
    """Write a new file and wait until the disk has it."""
    with path.open("xb") as file, hold(path):
        if isinstance(content, bytes):
            file.write(content)
        else:
            content(file)
        file.flush()
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Wait until the disk has the names in ``folder``, where the system can."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


@contextmanager
def hold(path: Path) -> Iterator[bool]:
    """Hold a file or folder for this program and say whether it was free; let go when the program dies."""
    if fcntl is None:
        yield False
        return
    try:
        descriptor = os.open(path, os.O_RDONLY)
    except OSError:
        yield False
        return
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            free = True
        except OSError:
            free = False
        yield free
    finally:
        os.close(descriptor)


def literal(name: str) -> str:
    """``name`` as a pattern that matches itself alone."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def is_temporary(name: str) -> bool:
    """Whether a killed ``write_whole`` may have left a file of that name."""
    return _TEMPORARY.fullmatch(name) is not None


@contextmanager
def refusals_as_sentences(doing: str) -> Iterator[None]:
    """Turn what the operating system refuses into an InputError that starts with ``doing``."""
    try:
        yield
    except OSError as refusal:
        reason = (refusal.strerror or type(refusal).__name__).lower()
        raise InputError(
            f"{doing}: {reason}; check the place, its permissions and the free space"
        ) from refusal


def sha256_of_bytes(content: bytes) -> str:
    """The SHA-256 of ``content`` in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def sha256_of_file(path: Path) -> str:
    """The SHA-256 of a file in hexadecimal. Raises InputError when it cannot be read."""
    with refusals_as_sentences(f"cannot read {shown(path.name)}"), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def canonical_json(document: Mapping[str, Any], *, decimals: int | None = None) -> bytes:
    """``document`` as UTF-8 JSON: keys in the given order, one way of writing each value, newline at the end.

    ``decimals`` rounds floats; None keeps each exactly. A NaN or an infinity is a fault of the caller
    (ValueError).

    >>> print(canonical_json({"b": [1.0, -0.0], "a": None}).decode(), end="")
    {"b": [1.0, 0.0], "a": null}
    """
    return (_json_text(_plain(document, decimals), "") + "\n").encode()


def _plain(value: Any, decimals: int | None) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(inner, decimals) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner, decimals) for inner in value]
    if value is None or isinstance(value, (str, bool, int)):
        return value
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"a JSON file of ours never holds {number}: say None and the reason")
    # Adding 0.0 turns -0.0 into 0.0, which means the same and must look the same.
    return (number if decimals is None else round(number, decimals)) + 0.0


def _json_text(value: Any, indent: str) -> str:
    flat = json.dumps(value, ensure_ascii=False, allow_nan=False)
    children = list(value.values()) if isinstance(value, dict) else value if isinstance(value, list) else []
    nested = any(isinstance(child, (dict, list)) and child for child in children)
    if (
        not children
        or (not nested and isinstance(value, list))
        or len(indent) + len(flat) <= JSON_LINE_CHARACTERS
    ):
        return flat
    inner = indent + "  "
    if isinstance(value, dict):
        lines = [
            f"{inner}{json.dumps(key, ensure_ascii=False)}: {_json_text(child, inner)}"
            for key, child in value.items()
        ]
        return "{\n" + ",\n".join(lines) + f"\n{indent}}}"
    return "[\n" + ",\n".join(inner + _json_text(child, inner) for child in children) + f"\n{indent}]"


def read_json(path: Path) -> Any:
    """The document in a JSON file (UTF-8). Raises InputError that says what is wrong with it and where."""
    name = shown(path.name)
    if path.is_dir():
        raise InputError(f"{name} is a folder; give a JSON file")
    with refusals_as_sentences(f"cannot read {name}"), path.open("rb") as file:
        content = file.read(JSON_BYTES_MAX + 1)
    if len(content) > JSON_BYTES_MAX:
        raise InputError(f"{name} is larger than {JSON_BYTES_MAX // 2**20} MB; give a smaller JSON file")
    return parse_json(content, name)


def parse_json(content: bytes, name: str) -> Any:
    """The document in ``content``; ``name`` is what an error calls it."""
    if not content.strip():
        raise InputError(f"{name} is empty; give a JSON file")
    if _nesting(content) > JSON_NESTING_MAX:
        raise InputError(f"{name} nests brackets more than {JSON_NESTING_MAX} deep; simplify it")
    try:
        return json.loads(
            content.decode("utf-8-sig"),
            object_pairs_hook=_without_repeats,
            parse_constant=_refuse_constant,
            parse_float=_finite_float,
            parse_int=_short_int,
        )
    except UnicodeDecodeError as fault:
        raise InputError(f"{name} is not UTF-8 text (byte {fault.start}); save it as UTF-8") from fault
    except json.JSONDecodeError as fault:
        where = f"line {fault.lineno}, column {fault.colno}"
        raise InputError(f"{name} is not JSON at {where} ({fault.msg.lower()}); correct it there") from fault
    except _RefusedError as fault:
        raise InputError(f"{name} {fault}") from fault


class _RefusedError(Exception):
    """A token of a JSON file that is valid to the parser and not to us."""


def _nesting(content: bytes) -> int:
    depth = deepest = 0
    for token in _STRING_OR_BRACKET.finditer(content):
        first = token[0][:1]
        if first in b"[{":
            depth += 1
            deepest = max(deepest, depth)
        elif first in b"]}":
            depth -= 1
    return deepest


def _without_repeats(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    document = dict(pairs)
    if len(document) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise _RefusedError(f"has the key {shown(twice)} twice in one object; keep one of them")
    return document


def _refuse_constant(token: str) -> NoReturn:
    raise _RefusedError(f"holds {token}, which is no JSON number; give a finite number")


def _finite_float(token: str) -> float:
    number = float(token)
    if not math.isfinite(number):
        raise _RefusedError(f"holds the number {shown(token)}, which is too large; give a finite number")
    return number


def _short_int(token: str) -> int:
    if len(token.lstrip("-")) > JSON_DIGITS_MAX:
        raise _RefusedError(f"holds an integer of more than {JSON_DIGITS_MAX} digits; give a smaller number")
    return int(token)


def shown(value: object) -> str:
    """A person's own value as an error sentence repeats it: quoted, on one line, printable, not too long.

    >>> shown("a" * 100) == "'" + "a" * 60 + "…'"
    True
    """
    if not isinstance(value, str):
        text = repr(value)
        return text if len(text) <= SHOWN_CHARACTERS else text[:SHOWN_CHARACTERS] + "…"
    short = value if len(value) <= SHOWN_CHARACTERS else value[:SHOWN_CHARACTERS] + "…"
    return repr(short)
