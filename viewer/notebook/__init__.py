"""Pilothole in a notebook: objects that show themselves, the bench in a frame, meshes for PyVista.

``import viewer.notebook`` in a running notebook teaches it to show a Bone, an Assessment and a ScrewResult as
a picture and a table. Those types know nothing of notebooks: the words are here, above them.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from planner.vocabulary import Assessment
    from segmentation.vocabulary import Bone
    from viewer.notebook.framed import Framed
    from viewer.notebook.shown import Shown

SHOWN = {
    ("segmentation.vocabulary", "Bone"): "bone_html",
    ("planner.vocabulary", "Assessment"): "assessment_html",
    ("planner.vocabulary", "ScrewResult"): "result_html",
}
"""Module and name of each type that shows itself → the function of ``shown.py`` that draws it."""


def show(bone: Bone, assessment: Assessment | None = None) -> Shown:
    """The bone, and each screw of ``assessment`` in it, as a picture with tables; the last line of a cell.

    Give ``assessment`` as measured on ``bone``. A second or two a screw.
    """
    from viewer.notebook.shown import Shown, pictured_html

    return Shown(pictured_html(bone, assessment))


def bench(
    case: str | Path, *, origin: str, height_px: int = 820, catalogue: str | Path | None = None
) -> Framed:
    """Start the bench on a case folder in a process of its own and show it in a frame, until it is closed.

    ``origin`` is the notebook's own address up to its port, such as ``http://localhost:8888``: only a page of
    this origin may show the frame, and it must be of this computer. Raises InputError where the case cannot
    be opened. Each change is kept in the case, as by ``pilothole view``.
    """
    from viewer.notebook.framed import start_framed

    return start_framed(case, origin=origin, height_px=height_px, catalogue=catalogue)


def as_pyvista(thing: Any) -> Any:
    """A Surface as pyvista.PolyData, a CTVolume as ImageData, a Bone as MultiBlock, all in RAS+ mm.

    The blocks of a Bone are its fragments by name, as scanned, and ``joint`` where it has one. Raises
    InputError for anything else.
    """
    from viewer.notebook.to_pyvista import converted

    return converted(thing)


def load_ipython_extension(shell: Any) -> None:
    """Teach an IPython ``shell`` to show our types; ``%load_ext viewer.notebook`` calls this."""
    html = shell.display_formatter.formatters["text/html"]
    for (module, name), drawn_by in SHOWN.items():
        html.for_type_by_name(module, name, _drawer(drawn_by))


def _drawer(name: str) -> Any:
    def draw(thing: Any) -> str:
        from viewer.notebook import shown

        drawn: str = getattr(shown, name)(thing)
        return drawn

    return draw


def _running_shell() -> Any:
    """The IPython shell this runs in; None elsewhere. IPython is not loaded for it."""
    ipython = sys.modules.get("IPython")
    return None if ipython is None else ipython.get_ipython()


if (_shell := _running_shell()) is not None:
    load_ipython_extension(_shell)
