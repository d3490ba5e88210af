"""How sure a forecast is: timing errors by age of elements, odds, scores, and the hindcast that tests them.

timing          TimingModel: how far predicted times may be off by the age of elements, and what may be said then
timing_errors   the law by which predicted intervals move, common to the next two
odds            odds_of_no_service: the chance of no service at each moment, in closed form
odds_events     simulate: gaps of many drawn futures, for the odds of what lasts
windows         those gaps asked about many windows, such as calls, at once
calibration     odds made to fit a record of the line; floor, outages that no satellite explains
normal          the normal distribution on arrays
baselines       what a forecast must beat: climatology and yesterday
verification    Brier score, reliability, skill, bootstrap by day
event_scores    predicted gaps against observed ones, matched one to one
hindcast        older elements forecast, newer ones say what came
hindcast_fit    a timing model fitted to such a pair
learned_timing  learn_timing: the timing errors of a fleet by the snapshots kept of it, without a site
"""

from passim.forecast.calibration import Calibration
from passim.forecast.floor import Floor
from passim.forecast.learned_timing import LearnedAge, LearnedTiming, learn_timing
from passim.forecast.odds import Odds, odds_of_no_service
from passim.forecast.odds_events import Simulation, simulate
from passim.forecast.timing import Band, Freshness, TimingModel, band_for, band_of, bands_of, freshness_of
from passim.forecast.windows import WindowOdds

__all__ = [
    "Band",
    "Calibration",
    "Floor",
    "Freshness",
    "LearnedAge",
    "LearnedTiming",
    "Odds",
    "Simulation",
    "TimingModel",
    "WindowOdds",
    "band_for",
    "band_of",
    "bands_of",
    "freshness_of",
    "learn_timing",
    "odds_of_no_service",
    "simulate",
]
