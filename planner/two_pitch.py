"""What a headless screw of two pitches closes: its leading thread runs ahead of the trailing one.

Each turn draws the fragments together by p_lead − p_trail, while both threads bite, the leading one beyond
the fracture only. The screw then advances by p_trail a turn, so the turns are counted back from the final
seat: until the front of the trailing thread comes out of the near cortex, or the leading thread comes back
into the near fragment, or out of the far one. What is drilled beforehand, and a reduction held by wires, are
not in it.
"""

from __future__ import annotations

import numpy as np

from planner.interval import Interval, least, product, scaled
from planner.mechanics_vocabulary import GapLoss
from segmentation.vocabulary import Floats

GAP_HELD_MM = 1.0
"""A gap up to this cost no compression. Published: Tan et al. 2018 J Hand Surg Eur 43:93, 26 mm screw in foam
(abstract read)."""

GAP_LOSES_MM = 1.5
"""A gap of 1.5 to 2.0 mm cost a significant part. Published: Tan et al. 2018."""

GAP_OPEN_MM = 2.5
"""At this gap the fragments never met. Published: Tan et al. 2018."""

RETAINED = Interval(0.465, 0.2895, 0.6405)
"""Force left after minutes over the peak: even between 0.27 and 0.66, its median and percentiles. Published
fractions of four designs: 0.66, 0.42 (Grewal et al. 2011 J Orthop Surg Res 6:27), 0.27, 0.42 (Pensy et al.
2009 J Surg Orthop Adv 18:182)."""

OF_STRIPPING_FRACTION = 0.8
"""Of the thread's hold that compression reaches before stripping. Published: Fletcher et al. 2019 Clin
Biomech 70:40, headed screws: taken over."""


def travel_per_turn_mm(*, leading_pitch_mm: float, trailing_pitch_mm: float) -> float:
    """How much one turn closes while both threads bite."""
    return leading_pitch_mm - trailing_pitch_mm


def turns_both_count(
    *,
    trailing_front_mm: Floats | float,
    leading_back_mm: Floats | float,
    leading_front_mm: Floats | float,
    near_to_mm: Floats | float,
    far_from_mm: Floats | float,
    trailing_pitch_mm: float,
) -> Floats:
    """Turns with both threads biting, each in its own fragment, up to the final seat; of one screw or (n,).

    Depths at the final seat: the front of the trailing thread, back and front of the leading one, the end of
    the near fragment and the beginning of the far one.
    """
    leading_mm = np.minimum(leading_back_mm - near_to_mm, leading_front_mm - far_from_mm)
    back_mm = np.minimum(trailing_front_mm, leading_mm)
    return np.asarray(np.maximum(0.0, back_mm) / trailing_pitch_mm)


def gap_loss(gap_mm: float) -> GapLoss:
    """What was measured at a gap of that width."""
    if gap_mm <= GAP_HELD_MM:
        return "none measured"
    if gap_mm < GAP_LOSES_MM:
        return "between tested gaps"
    return "significant" if gap_mm < GAP_OPEN_MM else "no contact"


def force_now_n(hold_n: Interval, torque_limited_n: Interval | None) -> Interval:
    """Compression at once: what hold and torque allow, the smaller; ``hold_n`` is the weaker thread's."""
    by_hold = scaled(hold_n, OF_STRIPPING_FRACTION)
    return by_hold if torque_limited_n is None else least(by_hold, torque_limited_n)


def force_retained_n(now_n: Interval) -> Interval:
    """Compression left after minutes, by the published relaxation."""
    return product(now_n, RETAINED)
