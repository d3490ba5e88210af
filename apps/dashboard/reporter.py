"""The report from the page: `passim report` in a process of its own, so that the page hands out the very same file."""

from __future__ import annotations

import contextlib
import os
import secrets
import subprocess
import sys
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_MODULE: Final = "passim_apps.command_line.main"
# With this the command writes how far it is, in lines of `SHARE`, where nobody sees a bar.
TELL_SHARE: Final = "PASSIM_TELL_SHARE"
SHARE: Final = "share "


@dataclass(frozen=True)
class ReportProgress:
    """How far a report is: what is under way and its share from 0 to 1; at the end its `token`, or a `fault`."""

    what: str = ""
    share: float = 0.0
    token: str = ""
    fault: str = ""

    @property
    def under_way(self) -> bool:
        """Whether there is something to wait for."""
        return not (self.token or self.fault)


class Reporter:
    """At most one report at a time, and the last one that was made. Its methods may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._process: subprocess.Popen[str] | None = None
        self._making: ReportProgress | None = None

    @property
    def making(self) -> ReportProgress | None:
        """How far the last report is; None before the first."""
        with self._lock:
            return self._making

    def start(self, words: Sequence[str]) -> ReportProgress:
        """Begin the report that `words` ask `passim report` for, unless one is under way. Raises OSError."""
        with self._lock:
            if self._making is not None and self._making.under_way:
                return self._making
            if self._folder is None:
                self._folder = tempfile.TemporaryDirectory(prefix="passim-report-")
            for old in Path(self._folder.name).iterdir():
                old.unlink()
            token = secrets.token_urlsafe(16)
            command = [sys.executable, "-P", "-m", _MODULE, "report", *words, f"--out={self._file(token)}"]
            self._process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
                env={**os.environ, TELL_SHARE: "1"},
            )  # fmt: skip
            self._making = ReportProgress("Starting")
            threading.Thread(
                target=self._follow, args=(self._process, token), name="passim-report", daemon=True
            ).start()
            return self._making

    def file(self, token: str) -> bytes | None:
        """Return the report of a token, None where it is not the last one."""
        with self._lock:
            if (
                self._making is None
                or not self._making.token
                or not secrets.compare_digest(token.encode(), self._making.token.encode())
            ):
                return None
            return self._file(token).read_bytes()

    def stop(self) -> None:
        """End the report under way, and remove what was made."""
        with self._lock:
            process, self._process, self._making = self._process, None, None
            if process is not None:
                with contextlib.suppress(OSError):
                    process.kill()
                process.wait()
            if self._folder is not None:
                self._folder.cleanup()
                self._folder = None

    def _file(self, token: str) -> Path:
        assert self._folder is not None
        return Path(self._folder.name) / f"{token}.html"

    def _follow(self, process: subprocess.Popen[str], token: str) -> None:
        """Read what the process tells until it ends."""
        last = ""
        assert process.stderr is not None
        with process.stderr:
            for line in process.stderr:
                if not line.startswith(SHARE):
                    last = line.strip() or last
                    continue
                number, _, what = line[len(SHARE) :].strip().partition(" ")
                self._put(process, ReportProgress(what, float(number)))
        status = process.wait()
        fault = "" if status == 0 else last.removeprefix("passim: ") or f"the report ended with the status {status}"
        self._put(process, ReportProgress(fault=fault) if fault else ReportProgress(share=1.0, token=token))

    def _put(self, process: subprocess.Popen[str], making: ReportProgress) -> None:
        with self._lock:
            if self._process is process:
                self._making = making
