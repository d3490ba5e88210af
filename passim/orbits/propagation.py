"""SGP4 to arrays: the compiled propagator behind one door.

States are TEME kilometres and kilometres a second. Axes are (satellite, time, xyz).
"""

from __future__ import annotations

from datetime import UTC
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from sgp4.api import SGP4_ERRORS, WGS72, Satrec, SatrecArray, accelerated

from passim.constants import EARTH_RADIUS_KM, SGP4_MU_KM3_S2
from passim.elements.records import ElementSet, Fleet
from passim.errors import InternalError

# A satellite lower than this is no longer in orbit, whatever SGP4 says (common practice; no orbit lasts a turn below
# about 120 km), and one farther than this has left the Earth.
LOWEST_ALTITUDE_KM = 80.0
LARGEST_RADIUS_KM = 1_000_000.0

_DAY_US = 86_400_000_000
_SGP4_DAY_ZERO = np.datetime64("1949-12-31", "us")
_SGP4_DAY_ZERO_JULIAN = 2433281.5


class Propagator:
    """The SGP4 models of a fleet, one for each element set, in the fleet's order.

    SGP4 runs in its compiled form with WGS 72 and improved mode, as AIAA 2006-6753 has it. Catalogue numbers are not
    handed to it, since it refuses large ones.
    """

    def __init__(self, fleet: Fleet, models: list[Satrec] | None = None) -> None:
        if not accelerated:
            raise InternalError(
                "the compiled SGP4 is missing: only the slow one is installed; install the package sgp4 from a wheel"
            )
        self.fleet = fleet
        self.models = models if models is not None else [_model(record) for record in fleet.records]

    @classmethod
    def of(cls, fleet: Fleet) -> Propagator:
        """Return the propagator of `fleet`, made at first use and kept with the fleet, which never changes."""
        cached = fleet.__dict__.get("_propagator")
        if cached is None:
            cached = fleet.__dict__["_propagator"] = cls(fleet)
        return cached

    @staticmethod
    def share(fleet: Fleet, same: Fleet) -> None:
        """Let `same`, a fleet of the same element sets, have the models of `fleet` unless it has its own."""
        if "_propagator" in fleet.__dict__:
            same.__dict__.setdefault("_propagator", fleet.__dict__["_propagator"])

    def __len__(self) -> int:
        return len(self.models)

    def select(self, satellites: NDArray[np.intp]) -> Propagator:
        """Return the propagator of some of the satellites; the models are shared."""
        return Propagator(self.fleet.select(satellites), [self.models[i] for i in satellites])

    @cached_property
    def mean_motion_rad_s(self) -> NDArray[np.float64]:
        """Kozai mean motion at epoch, rad/s, shape (satellites,)."""
        return self.fleet.column("mean_motion_rev_day") * (2.0 * np.pi / 86400.0)

    @cached_property
    def eccentricity(self) -> NDArray[np.float64]:
        """Mean eccentricity at epoch, shape (satellites,)."""
        return self.fleet.column("eccentricity")

    @cached_property
    def semi_major_axis_km(self) -> NDArray[np.float64]:
        """Semi-major axis of the mean motion at epoch, km, shape (satellites,)."""
        return np.asarray((SGP4_MU_KM3_S2 / self.mean_motion_rad_s**2) ** (1.0 / 3.0))

    @cached_property
    def argument_of_latitude_rate_rad_s(self) -> NDArray[np.float64]:
        """Secular rate of the argument of latitude (mean anomaly and perigee together), rad/s, shape (satellites,)."""
        return np.array([m.mdot + m.argpdot for m in self.models]) / 60.0

    @cached_property
    def node_rate_rad_s(self) -> NDArray[np.float64]:
        """Secular rate of the ascending node, rad/s, shape (satellites,)."""
        return np.array([m.nodedot for m in self.models]) / 60.0

    def sweep(
        self, satellites: NDArray[np.intp], julian_day: NDArray[np.float64], fraction: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.uint8]]:
        """Propagate each of `satellites` to every time.

        Returns positions and velocities, shape (satellite, time, xyz), and SGP4's error codes, (satellite, time).
        """
        everyone = len(satellites) == len(self.models) and np.array_equal(satellites, np.arange(len(self.models)))
        array = self._all if everyone else SatrecArray(self._models[satellites].tolist())
        error, position, velocity = array.sgp4(julian_day, fraction)
        return position, velocity, error

    @cached_property
    def _models(self) -> NDArray[np.object_]:
        models = np.empty(len(self.models), dtype=object)
        models[:] = self.models
        return models

    @cached_property
    def _all(self) -> SatrecArray:
        return SatrecArray(self.models)

    def at(
        self, satellite: int, julian_day: NDArray[np.float64], fraction: NDArray[np.float64]
    ) -> tuple[NDArray[np.uint8], NDArray[np.float64], NDArray[np.float64]]:
        """Propagate one satellite to times of shape (n,). Returns error, position and velocity (n, xyz)."""
        return self.models[satellite].sgp4_array(julian_day, fraction)  # type: ignore[no-any-return]


def usable(position_km: NDArray[np.float64], error: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Say of each state, shape (..., 3) and (...), whether it is that of a satellite in orbit.

    SGP4 can return error 0 with positions inside the Earth or not a number, so both are checked.
    """
    radius2 = np.einsum("...i,...i->...", position_km, position_km)
    lowest, largest = (EARTH_RADIUS_KM + LOWEST_ALTITUDE_KM) ** 2, LARGEST_RADIUS_KM**2
    return np.asarray((error == 0) & (radius2 > lowest) & (radius2 < largest))


def trouble(position_km: NDArray[np.float64], error: int) -> str:
    """Say in words what is wrong with one state that is not `usable`."""
    if error:
        return f"SGP4 error {error}: {SGP4_ERRORS.get(int(error), 'unknown')}"
    altitude_km = float(np.sqrt(np.sum(np.square(position_km)))) - EARTH_RADIUS_KM
    if not np.isfinite(altitude_km):
        return "SGP4 gave a position that is not a number"
    return f"SGP4 put it at an altitude of {altitude_km:.0f} km, so it has decayed or its elements are damaged"


def _model(record: ElementSet) -> Satrec:
    """Return the initialised SGP4 model of one element set."""
    epoch = np.datetime64(record.epoch.astimezone(UTC).replace(tzinfo=None), "us")
    whole, inside = divmod(int((epoch - _SGP4_DAY_ZERO).astype(np.int64)), _DAY_US)
    model = Satrec()
    model.sgp4init(
        WGS72,
        "i",
        0,  # the catalogue number: not needed, and refused past 339999
        # The reference code hands over the epoch after a sum in Julian days, good to 40 microseconds, and its lunar and
        # solar terms start from there: so do these, or a few deep-space orbits would be millimetres off its vectors.
        (_SGP4_DAY_ZERO_JULIAN + whole + inside / _DAY_US) - _SGP4_DAY_ZERO_JULIAN,
        record.bstar,
        0.0,  # the first and second derivatives of mean motion play no part in SGP4
        0.0,
        record.eccentricity,
        np.deg2rad(record.perigee_deg),
        np.deg2rad(record.inclination_deg),
        np.deg2rad(record.mean_anomaly_deg),
        record.mean_motion_rev_day * (2.0 * np.pi / 1440.0),
        np.deg2rad(record.node_deg),
    )
    # The initialiser rounds the epoch to 8 decimals of a day, 0.9 ms; the model itself takes it whole.
    model.jdsatepochF = inside / _DAY_US
    return model
