"""An assessment with all that may be asked beside the plan: demands, a site of the body, doubts drawn."""

from __future__ import annotations

from dataclasses import dataclass

from planner.assess import ReadyBone, assess_screws
from planner.demands import Demands
from planner.doubt import with_doubt
from planner.doubt_vocabulary import AskedDoubt
from planner.limits import Limits
from planner.site_file import Site
from planner.site_lengths import with_site
from planner.vocabulary import Assessment, Plan


@dataclass(frozen=True)
class Asked:
    """What a person asks of the screws beyond the plan; None where nothing is."""

    demands: Demands | None = None
    site: Site | None = None
    doubt: AskedDoubt | None = None

    @property
    def limits(self) -> Limits:
        """The site's limits, or the usual ones."""
        return Limits() if self.site is None else self.site.limits


def assess_asked(bone: ReadyBone, plan: Plan, asked: Asked) -> Assessment:
    """Every number of ``plan``'s screws on a bone made ready, held against the site's limits.

    Raises InputError as ``assess_screws`` does.
    """
    assessment = assess_screws(bone, plan, limits=asked.limits, demands=asked.demands)
    if asked.doubt is not None:
        tip_apex_mm = None if asked.site is None else asked.site.tip_apex_mm
        assessment = with_doubt(bone, assessment, asked.doubt, asked.limits, tip_apex_mm)
    return assessment if asked.site is None else with_site(assessment, asked.site)
