"""Orbits: SGP4 to arrays, the Earth-fixed frame, smooth arcs between nodes."""

from __future__ import annotations

from passim.orbits.frames import earth_orientation_ends

__all__ = ["earth_orientation_ends"]
