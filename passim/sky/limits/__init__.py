"""Limits of service, one a file: the horizon, the antenna's cone, the geostationary arc, gateways, and who serves."""

from __future__ import annotations

import importlib
import pkgutil
from typing import Final

from passim.sky.limits.base import FleetLimit, Limit, Scene, TerminalLimit
from passim.sky.limits.cone import Cone
from passim.sky.limits.gateways import Gateway, GatewayDistance, GatewayLimit
from passim.sky.limits.geostationary_arc import ArcKeepOut
from passim.sky.limits.horizon import HorizonLimit
from passim.sky.limits.members import Excluded, ServingFilter, ServingShare

# Every limit that numbers of the terminal state: the files of this folder that have a TERMINAL_LIMIT, by their names.
_MODULES: Final = [importlib.import_module(f"{__name__}.{found.name}") for found in pkgutil.iter_modules(__path__)]
TERMINAL_LIMITS: Final[tuple[TerminalLimit, ...]] = tuple(
    vars(module)["TERMINAL_LIMIT"] for module in _MODULES if "TERMINAL_LIMIT" in vars(module)
)

__all__ = [
    "TERMINAL_LIMITS",
    "ArcKeepOut",
    "Cone",
    "Excluded",
    "FleetLimit",
    "Gateway",
    "GatewayDistance",
    "GatewayLimit",
    "HorizonLimit",
    "Limit",
    "Scene",
    "ServingFilter",
    "ServingShare",
    "TerminalLimit",
]
