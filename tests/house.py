"""What the house tests ask of the checkout: its files, and what a file's text and syntax tree say.

Each question is a function of plain text, so that a test can hand it a planted fault.
"""

from __future__ import annotations

import ast
import re
import subprocess
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import TypeGuard

ROOT = Path(__file__).parent.parent
PACKAGES = ("segmentation", "planner", "demo_volumes", "viewer")

UNIT_SUFFIXES = (
    *(
        "_mm",
        "_mm2",
        "_mm3",
        "_mm4",
        "_hu",
        "_mg_cm3",
        "_mg_cm2",
        "_g_cm3",
        "_n",
        "_n_m",
        "_mpa",
        "_degree",
        "_radian",
        "_s",
        "_kv",
    ),
    *("_fraction", "_ratio", "_count", "_factor"),
)
"""The closed list. A compound such as ``_mg_cm3_per_hu`` begins with one of them and ``_per_``."""


def tracked_files() -> list[str]:
    """Paths of the checkout that git keeps, with forward slashes; where there is no git, every plain file."""
    told = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    if told.returncode == 0:
        return [name for name in told.stdout.decode().split("\0") if name and (ROOT / name).is_file()]
    left_out = re.compile(
        r"(^|/)(\.(?!ci/|gitignore)|build/|dist/|__pycache__/|[^/]*\.egg-info/|pilothole-demo)"
    )
    names = (path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*") if path.is_file())
    return sorted(name for name in names if not left_out.search(name))


def modules(*folders: str) -> list[Path]:
    """The Python files git keeps, of these top-level folders or of all."""
    names = [name for name in tracked_files() if name.endswith(".py")]
    return [ROOT / name for name in names if not folders or name.split("/")[0] in folders]


def names_without_unit(text: str) -> Iterator[tuple[int, str]]:
    """Line and name of each float (field, parameter, constant) whose name does not end in a unit."""
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            for argument in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs):
                if _is_float(argument.annotation) and not _has_unit(argument.arg):
                    yield argument.lineno, argument.arg
        elif isinstance(node, ast.ClassDef):
            for field in node.body:
                if _names_a_float(field):
                    yield field.lineno, field.target.id
    for node in tree.body:
        if _names_a_float(node):
            yield node.lineno, node.target.id
        elif isinstance(node, ast.Assign):
            for target, value in _assigned(node):
                if _is_float_literal(value) and not _has_unit(target):
                    yield node.lineno, target


def _names_a_float(node: ast.stmt) -> TypeGuard[ast.AnnAssign]:
    """Whether a statement is ``name: float …`` with a name that has no unit."""
    named = isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)
    return named and _is_float(node.annotation) and not _has_unit(node.target.id)


def _has_unit(name: str) -> bool:
    low = name.lower()
    return low.endswith(UNIT_SUFFIXES) or any(f"{suffix}_per_" in low for suffix in UNIT_SUFFIXES)


def _is_float(annotation: ast.expr | None) -> bool:
    """Whether an annotation is float, float | None, or one of them inside Annotated[…]."""
    if isinstance(annotation, ast.Subscript) and ast.unparse(annotation.value) == "Annotated":
        inner = annotation.slice
        return _is_float(inner.elts[0] if isinstance(inner, ast.Tuple) else inner)
    return annotation is not None and ast.unparse(annotation) in ("float", "float | None", "None | float")


def _assigned(node: ast.Assign) -> Iterator[tuple[str, ast.expr]]:
    for target in node.targets:
        if isinstance(target, ast.Name):
            yield target.id, node.value
        elif isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
            for one, value in zip(target.elts, node.value.elts, strict=True):
                if isinstance(one, ast.Name):
                    yield one.id, value


def _is_float_literal(value: ast.expr) -> bool:
    """Whether a value is a float written out, alone, in arithmetic of numbers, or a row of such."""
    if isinstance(value, ast.Tuple):
        # A table of rows has its units in its docstring or header.
        flat = not any(isinstance(one, ast.Tuple) for one in value.elts)
        return flat and bool(value.elts) and all(map(_is_float_literal, value.elts))
    leaves = [node for node in ast.walk(value) if not isinstance(node, ast.operator | ast.unaryop)]
    numbers = [node.value for node in leaves if isinstance(node, ast.Constant)]
    plain = all(isinstance(node, ast.Constant | ast.BinOp | ast.UnaryOp) for node in leaves)
    return plain and any(isinstance(number, float) for number in numbers)


def import_cycle(imports: dict[str, set[str]]) -> list[str] | None:
    """A ring of modules that import each other, or None."""
    try:
        TopologicalSorter(imports).prepare()
    except CycleError as found:
        return list(found.args[1])
    return None


def forbidden_words(text: str) -> list[str]:
    """Paths of some machine and hosts of package registries that a text names."""
    # Put together here, so that this file does not name what it looks for.
    folders = ["/" + name + "/" for name in ("work", "tmp", "root", "home", "Users")]
    hosts = ["pypi" + ".org", "python" + "hosted", "deb.debian" + ".org", "npmjs" + ".", "/opt/" + "pypi"]
    word = re.compile(r"(?<![\w.<>*-])(?:" + "|".join(folders) + ")|" + "|".join(map(re.escape, hosts)))
    return sorted(set(word.findall(text)))
