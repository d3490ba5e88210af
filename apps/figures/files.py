"""Pictures as files, SVG or PNG, by the extra ``pictures``: kaleido, which draws in a browser that is installed."""

from __future__ import annotations

import importlib.util
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from . import land_outlines

if TYPE_CHECKING:
    import plotly.graph_objects as go

WIDTH_PX: Final = 760


def check_pictures(folder: str) -> None:
    """Refuse pictures that cannot be made, before the work is done. Raises InputError."""
    from passim.errors import InputError

    if importlib.util.find_spec("kaleido") is None:
        raise InputError(
            "--pictures",
            got="kaleido is not installed",
            wanted="the extra that draws picture files",
            try_next="pip install 'passim[pictures]', or --out, which needs nothing",
        )
    if not Path(folder).is_dir():
        raise InputError("--pictures", got=folder, wanted="a folder that exists", try_next="making the folder first")


def write_pictures(
    figures: Sequence[tuple[str, go.Figure]], folder: str, format_name: str, width_px: int = WIDTH_PX
) -> list[Path]:
    """Write each figure under its name into `folder` and return the files. Raises InputError where that fails."""
    import kaleido
    from kaleido.errors import BrowserFailedError, ChromeNotFoundError, JavascriptError, KaleidoError

    from passim.errors import InputError

    paths = [Path(folder) / f"{name}.{format_name}" for name, _ in figures]
    wanted = [
        {
            "fig": figure,
            "path": str(path),
            "opts": {"format": format_name, "width": width_px, "height": figure.layout.height, "scale": 1},
        }
        for (_, figure), path in zip(figures, paths, strict=True)
    ]
    try:
        with tempfile.TemporaryDirectory(prefix="passim-") as scripts:
            outlines = []
            if land_outlines.needed(figure for _, figure in figures):
                land = Path(scripts) / "land.js"
                land.write_text(land_outlines.script(), encoding="utf-8")
                outlines = [(land.as_uri(), "utf-8")]
            # Left to itself kaleido loads a typesetter for formulas, and the outlines of the land, from other hosts.
            page = kaleido.PageGenerator(mathjax=False, others=outlines)
            kaleido.write_fig_from_object_sync(wanted, cancel_on_error=True, kopts={"page_generator": page, "n": 1})
    except (BrowserFailedError, ChromeNotFoundError) as error:
        raise InputError(
            "--pictures",
            got=f"no browser that draws ({_first_line(error)})",
            wanted="chromium",
            try_next="installing it",
        ) from None
    except (JavascriptError, KaleidoError, OSError) as error:
        raise InputError("--pictures cannot be drawn", got=_first_line(error), try_next="another folder") from None
    return paths


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:200]
