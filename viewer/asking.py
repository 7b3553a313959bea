"""What a person asks of the screws on the command line, from words to values."""

from __future__ import annotations

from typing import TYPE_CHECKING

from segmentation.errors import InputError

if TYPE_CHECKING:
    from planner.demands import Demands


def demands_of(
    load: str | None, compression_n: float | None, torque_n_m: float | None, union_weeks: int | None
) -> Demands:
    """The demands in ``--load N,MM``, ``--compression``, ``--torque`` and ``--union-weeks``.

    Raises InputError for a load that is not two numbers, and for what cannot be asked.
    """
    from planner.demands import Demands

    force_n = lever_mm = None
    if load is not None:
        try:
            force_n, lever_mm = (float(part) for part in load.split(","))
        except ValueError as error:
            raise InputError(
                f"--load must be a force in N and a lever in mm (got {load[:60]!r}); for example 100,10"
            ) from error
    return Demands(force_n, lever_mm, compression_n, torque_n_m, union_weeks)
