"""Numbers that passim relies on, each with its unit and its source."""

from __future__ import annotations

from typing import Final

# WGS 72, the set that SGP4 element sets are fitted with. Vallado, Crawford, Hujsak, Kelso, "Revisiting Spacetrack
# Report #3", AIAA 2006-6753, appendix. Use these for everything that touches SGP4's own mean motion.
SGP4_EARTH_RADIUS_KM: Final = 6378.135
SGP4_MU_KM3_S2: Final = 398600.8
SGP4_J2: Final = 0.001082616

# WGS 84 ellipsoid: NIMA TR8350.2, 3rd edition. Use these for sites on the ground.
EARTH_RADIUS_KM: Final = 6378.137
EARTH_FLATTENING: Final = 1.0 / 298.257223563

# Handbook constants of the closed forms (spherical Earth): Larson & Wertz, "Space Mission Analysis and Design",
# 3rd ed. 1999 (recalled; recomputed for this project).
EARTH_MU_KM3_S2: Final = 398600.4418

# Speed of light in vacuum, exact by the definition of the metre (SI).
LIGHT_SPEED_KM_S: Final = 299792.458

# Rate of the Earth's rotation against the mean equinox of date, from GMST 1982 (AIAA 2006-6753, appendix C):
# 1.00273790935 turns per day of UT1.
EARTH_RATE_RAD_S: Final = 7.292115855e-5

SECONDS_PER_DAY: Final = 86400.0

# The longest stretch of time one question may cover.
LONGEST_SPAN_DAYS: Final = 92

# Below 150 km a circular orbit lasts less than a revolution or two (King-Hele, 1987, recalled).
LOWEST_PERIGEE_KM: Final = 150.0
