"""What the line really did: the probe that asks it, the journal that keeps the answers, and what follows from them.

record      Target, Probes, LineRecord: what was measured over a span, and when nothing was
outages     loss periods (RFC 3357) and the outages they make: in the house, in the line, at the far end
journal/    the file that keeps it all: its layout, writing by the minute, reading, checking
probe/      asking the targets: methods, clocks, the loop

The probe runs for months beside whatever else a small machine does. What it needs, `targets`, `probe/` and the writing
half of `journal/`, therefore imports the standard library alone; `tests/test_probe.py` holds that.
"""
