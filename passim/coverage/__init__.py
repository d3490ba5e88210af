"""Who is in view when, and who serves: the step function of coverage, its gaps, and what can be said of them.

steps           Coverage: satellites in view over a span; its gaps, minutes, hours, days and summary
statistics      figures that sum up a set of gaps
spare           how much of each half hour has no satellite, one, or one to spare
stopped         which limits stop which satellite when
causes          what would close each gap, and where the satellite stood that was missing
sky_map         where passes run, and where they are lost to what
service         Service: how a terminal is given its satellites
serving         serve: which satellite serves when, handovers, and the freezes
choosing        the choices behind it, on arrays
serving_path    range and delay up to the satellite and down to a gateway
timing          TimingModel: how far predicted times may be off by the age of elements, and what may be said then
scatter         the law by which predicted intervals move, common to the next two
odds            odds_of_no_service: the chance of no service at each moment, in closed form
odds_events     simulate: gaps of many drawn futures, for the odds of what lasts
windows         those gaps asked about many windows, such as calls, at once
normal          the normal distribution on arrays
"""

from passim.coverage.odds import Odds, odds_of_no_service
from passim.coverage.odds_events import Simulation, simulate
from passim.coverage.service import POLICIES, Service
from passim.coverage.serving import ServingTimeline, serve
from passim.coverage.steps import Coverage
from passim.coverage.timing import Band, Freshness, TimingModel, band_for, band_of
from passim.coverage.windows import WindowOdds

__all__ = [
    "POLICIES",
    "Band",
    "Coverage",
    "Freshness",
    "Odds",
    "Service",
    "ServingTimeline",
    "Simulation",
    "TimingModel",
    "WindowOdds",
    "band_for",
    "band_of",
    "odds_of_no_service",
    "serve",
    "simulate",
]
