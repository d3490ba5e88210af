"""Who is in view when, and who serves: the step function of coverage, its gaps, and what can be said of them.

steps           Coverage: satellites in view over a span; its gaps, minutes, hours, days and summary
visibility      find_visibility: when which satellite can serve a view, limit by limit
statistics      figures that sum up a set of gaps
redundancy      how much of each half hour has no satellite, one, or one to spare
blocked         which limits stop which satellite when
causes          what would close each gap, and where the satellite stood that was missing
verdict         what opens the gaps, all in all
sky_map         where passes run, and where they are lost to what
serving         serve: which satellite serves when, handovers, and the freezes
notebook        what a notebook shows of an answer
serving_path    range and delay up to the satellite and down to a gateway
"""

from passim.coverage.serving import ServingTimeline, serve
from passim.coverage.steps import Coverage
from passim.coverage.verdict import BusyParts, GapCause, RoofLine, Verdict
from passim.sky.service import POLICIES, Service

__all__ = [
    "POLICIES",
    "BusyParts",
    "Coverage",
    "GapCause",
    "RoofLine",
    "Service",
    "ServingTimeline",
    "Verdict",
    "serve",
]
