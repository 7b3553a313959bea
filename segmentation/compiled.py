"""Machine code of compiled loops is kept on disk, and must not outlive the code that it was made of.

numba keeps it by the time and size of the file a loop stands in. A loop of another file that it calls, and
numbers from elsewhere, are compiled into it; when these change, what is kept stays as it was. An installation
writes every file anew; in a copy that is worked in, what is older than that which it was made of goes.
"""

from __future__ import annotations

import re
from collections import defaultdict
from pathlib import Path

PACKAGES = ("segmentation", "planner", "viewer/report")
"""Where compiled loops are."""

IMPORTED = re.compile(r"^from ([a-z_]+(?:\.[a-z_]+)+) import", re.MULTILINE)


def forget_stale(root: Path) -> list[str]:
    """Throw away the machine code kept in the packages below ``root`` that is older than a file that it was
    made of; the names of the modules it was of.

    Nothing is done in an installation, nor told or raised where a cache cannot be written: numba then keeps
    none there either.
    """
    if not (root / "pyproject.toml").is_file():
        return []
    kept: dict[Path, list[Path]] = defaultdict(list)
    try:
        for name in PACKAGES:
            for path in (root / name / "__pycache__").glob("*.nb[ic]"):
                kept[root / name / f"{path.name.partition('.')[0]}.py"].append(path)
        imports = {source: _imports(source, root) for source in kept}
        gone = []
        for source, files in kept.items():
            newest = max((path.stat().st_mtime for path in _made_of(source, imports)), default=0.0)
            if min(path.stat().st_mtime for path in files) < newest:
                gone.append(source.stem)
                for path in files:
                    path.unlink(missing_ok=True)
    except OSError:
        return []
    return sorted(gone)


def _imports(source: Path, root: Path) -> list[Path]:
    if not source.is_file():
        return []
    found = IMPORTED.findall(source.read_text(encoding="utf-8"))
    return [path for name in found if (path := root / f"{name.replace('.', '/')}.py").is_file()]


def _made_of(source: Path, imports: dict[Path, list[Path]]) -> set[Path]:
    """The file, what it imports, and what those of them that have loops import in turn."""
    found, waiting = {source} if source.is_file() else set(), [source]
    while waiting:
        for path in imports.get(waiting.pop(), []):
            if path not in found:
                found.add(path)
                waiting.append(path)
    return found
