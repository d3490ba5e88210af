"""Setup: what the workspace says, changed part by part; every change shown before it is written."""
