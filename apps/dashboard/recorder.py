"""The probe that a page switches on: a process of its own, which ends with the dashboard however that ends.

It keeps the journal's lock while it runs, so that there are never two writers; where another probe has that, this one
ends at once and says so.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from typing import Final

from passim.workspace import Workspace

_CHILD: Final = "passim.line.probe.child"
# It settles what still waits for an answer, and writes.
_END_WITHIN_S: Final = 10.0


class Recorder:
    """At most one probe, for the targets of the workspace. Its methods may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self._fault = ""

    @property
    def running(self) -> bool:
        """Whether it records now."""
        with self._lock:
            self._look()
            return self._process is not None

    def take_fault(self) -> str:
        """Return why the last probe ended by itself, in one line, to whoever asks first; empty where it did not."""
        with self._lock:
            self._look()
            fault, self._fault = self._fault, ""
            return fault

    @property
    def pid(self) -> int | None:
        """The number of the probe's process, while there is one."""
        with self._lock:
            return None if self._process is None else self._process.pid

    def start(self, workspace: Workspace) -> None:
        """Begin to record, unless it does so already; what goes wrong later, `take_fault` tells. Raises OSError."""
        line = workspace.line
        request = {
            "journal": str(workspace.journal_file.absolute()),
            "targets": list(line.targets),
            "every_s": line.every_s,
            "ntp_server": line.ntp_server,
        }
        with self._lock:
            self._look()
            if self._process is not None:
                return
            self._fault = ""
            words = [sys.executable, "-P", "-m", _CHILD]
            self._process = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
            )
            assert self._process.stdin is not None
            with contextlib.suppress(BrokenPipeError):  # it has ended already, and says why
                self._process.stdin.write(json.dumps(request) + "\n")
                self._process.stdin.flush()

    def stop(self) -> None:
        """End the recording, in order where that goes within some seconds."""
        with self._lock:
            process, self._process = self._process, None
            if process is None:
                return
            assert process.stdin is not None
            assert process.stderr is not None
            with contextlib.suppress(OSError):
                process.stdin.close()
            try:
                process.wait(_END_WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            process.stderr.close()

    def _look(self) -> None:
        """Take in that the probe has ended by itself, if it has."""
        process = self._process
        if process is None or process.poll() is None:
            return
        assert process.stdin is not None
        assert process.stderr is not None
        lines = process.stderr.read().strip().splitlines()
        self._fault = lines[-1] if lines else f"the probe ended with the status {process.returncode}"
        process.stderr.close()
        with contextlib.suppress(OSError):
            process.stdin.close()
        self._process = None
