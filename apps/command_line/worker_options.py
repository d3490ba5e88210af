"""Options that say who does the work: processes of this machine, or a cluster of several."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from .usage import WHOLE

if TYPE_CHECKING:
    from passim.parallel import chunks as work

Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True)
class WorkerChoice:
    """How many processes, or which cluster."""

    workers: int | None
    cluster: str | None

    def config(self) -> work.WorkerConfig:
        """Return who does the work. Raises InputError."""
        from passim.parallel import chunks as work

        return work.WorkerConfig(self.workers, self.cluster)


def workers_options(command: Command) -> Command:
    """Add --workers and --cluster, which arrive as ``workers`` and ``cluster``."""
    command = click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Send the work to a running dask.distributed scheduler, such as tcp://127.0.0.1:8786; needs the extra "
        "passim[cluster].",
    )(command)
    return click.option(
        "--workers", type=WHOLE, metavar="N", help="Processes to use on this machine. Default: one per processor."
    )(command)
