"""Limits of service, one a file: the horizon, the antenna's cone, the geostationary arc, gateways, and who serves."""

from __future__ import annotations

from passim.sky.limits.base import Limit, Scene
from passim.sky.limits.cone import Cone
from passim.sky.limits.gateways import Gateway, GatewayLimit
from passim.sky.limits.geostationary_arc import ArcKeepOut
from passim.sky.limits.horizon import HorizonLimit
from passim.sky.limits.members import Excluded, ServingFilter, ServingShare

__all__ = [
    "ArcKeepOut",
    "Cone",
    "Excluded",
    "Gateway",
    "GatewayLimit",
    "HorizonLimit",
    "Limit",
    "Scene",
    "ServingFilter",
    "ServingShare",
]
