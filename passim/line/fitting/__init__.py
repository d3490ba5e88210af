"""Settings of the sky and the service out of a record of the line: a line that teaches its own forecast.

settings    what can be learned: the symptom's settings and a blocked sector, and how their numbers move
tracks      the sky sampled once; the freezes of any setting in milliseconds
evidence    the record by blocks: seconds in both, likelihood, what is held out
search      the grid, then steps that halve
intervals   block bootstrap
as_set_up   what the view as it is foretells of the same record, so that nothing is changed for nothing
retained    what was found lately, within a bound of bytes
fit         `fit_line`: the choice, the test against luck, the table
"""

from __future__ import annotations
