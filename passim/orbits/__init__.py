"""Orbits: SGP4 to arrays, the Earth-fixed frame, smooth arcs between nodes."""
