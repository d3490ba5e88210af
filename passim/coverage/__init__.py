"""Who is in view when: the step function of coverage, its gaps, and what can be said of them.

steps           Coverage: satellites in view over a span; its gaps, minutes, hours, days and summary
statistics      figures that sum up a set of gaps
"""

from passim.coverage.steps import Coverage

__all__ = ["Coverage"]
