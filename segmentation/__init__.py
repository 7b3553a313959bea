"""CT in, bone out. Knows no screw, no plan and no screen."""

from pathlib import Path

from segmentation.compiled import forget_stale

forget_stale(Path(__file__).parents[1])
