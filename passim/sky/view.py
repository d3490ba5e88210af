"""What one terminal can use of the sky: a site and the limits of its service."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from functools import cached_property

from passim.errors import InputError, SiteError
from passim.sky.limits.base import FleetLimit, Limit
from passim.sky.limits.horizon import HorizonLimit
from passim.sky.limits.members import ServingFilter
from passim.sky.service import HANDOVER, INSTANT, Service
from passim.sky.site import Site

# Where nothing else is said, a terminal is taken not to work below this height: 25 deg is usual for low-orbit broadband
# (common practice, no source). It matters only when the horizon is lifted.
USUAL_FLOOR_DEG = 25.0


@dataclass(frozen=True)
class View:
    """A site with the limits of its service. The site's horizon is always one of them.

    ``service`` is how the terminal is given its satellites; where it loses time at handovers, "handover" is one of the
    names and lifted like a limit.

    ``lowest_elevation_deg`` is the elevation below which the terminal itself does not work; unless given, 25 deg or the
    lowest point of the horizon where that is lower. It stays when the horizon is lifted. ``label`` names the view
    among others of one site. ``relayed`` says that satellites pass traffic on among themselves, so that none has to see
    a gateway. Raises InputError when two limits have one name.
    """

    site: Site
    limits: tuple[Limit, ...] = ()
    lowest_elevation_deg: float | None = None
    label: str = ""
    service: Service = INSTANT
    # Where it is so there is no gateway among the limits: what stands for a view by its words is the same.
    relayed: bool = field(default=False, repr=False)

    @classmethod
    def usual(cls, site: Site, *limits: Limit) -> View:
        """Return the view of a site under its horizon and `limits`; only satellites at a shell serve.

        That is what the command line asks about where no workspace says more.
        """
        return cls(site, (*limits, ServingFilter()))

    def __post_init__(self) -> None:
        names = self.names
        for name in names:
            if names.count(name) > 1:
                raise InputError("limits of service", got=f"{name} twice", wanted="each limit once")
        if self.lowest_elevation_deg is not None and not 0.0 <= self.lowest_elevation_deg < 90.0:
            raise SiteError(
                "lowest elevation of the terminal", got=self.lowest_elevation_deg, wanted="from 0 to below 90 deg"
            )

    @cached_property
    def all_limits(self) -> tuple[Limit, ...]:
        """The horizon and the others, in the order in which people are told of them; handovers are no limit."""
        return (HorizonLimit(self.site.horizon), *self.limits)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of what can be lifted: the limits, the horizon first, and handovers where they lose time."""
        handover = (HANDOVER,) if self.service.loses_time else ()
        return ("horizon", *(limit.name for limit in self.limits), *handover)

    @property
    def gateway_unknown(self) -> bool:
        """Whether no gateway counts although satellites are not said to do without one: there may be more gaps then."""
        return "gateway" not in self.names and not self.relayed

    @property
    def varying_limits(self) -> tuple[Limit, ...]:
        """The limits beside the horizon that allow a satellite only at times; those of the fleet say who serves."""
        return tuple(limit for limit in self.limits if not isinstance(limit, FleetLimit))

    @property
    def fleet_limits(self) -> tuple[FleetLimit, ...]:
        """The limits that say which satellites serve."""
        return tuple(limit for limit in self.limits if isinstance(limit, FleetLimit))

    @property
    def floor_deg(self) -> float:
        """The lowest elevation that is ever looked at, degrees."""
        if self.lowest_elevation_deg is not None:
            return self.lowest_elevation_deg
        return min(USUAL_FLOOR_DEG, self.site.horizon.lowest_deg)

    @property
    def stops_above_horizon(self) -> bool:
        """Whether the terminal itself stops above the lowest point of the horizon, which then counts in parts only."""
        return self.floor_deg > self.site.horizon.lowest_deg

    @property
    def title(self) -> str:
        """What to call the view among others."""
        return self.label or self.site.name

    def without(self, *names: str) -> View:
        """Return the view with some limits taken away. Raises InputError.

        The horizon goes down to the floor; without handovers, whatever is allowed serves at once.
        """
        self.known(names)
        site = self.site
        if "horizon" in names:
            site = replace(site, horizon=type(site.horizon).flat(self.floor_deg))
        retained = tuple(limit for limit in self.limits if limit.name not in names)
        service = self.service.without_losses() if HANDOVER in names else self.service
        # Whoever lifts gateways asks what would be if no satellite had to see one.
        relayed = self.relayed or "gateway" in names
        return replace(
            self, site=site, limits=retained, lowest_elevation_deg=self.floor_deg, service=service, relayed=relayed
        )

    def known(self, names: Iterable[str], what: str = "limit to lift") -> None:
        """Raise InputError, about `what`, for a name that is no limit of this view."""
        for name in names:
            if name not in self.names:
                near = get_close_matches(name, self.names, n=1)
                raise InputError(
                    what,
                    got=name,
                    wanted=f"one of {', '.join(self.names)}",
                    try_next=near[0] if near else self.names[0],
                )
