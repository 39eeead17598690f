"""What the engine does, told to `formkin run` event by event: Snakemake's interface for loggers.

Each event is a line of JSON, written to the open file whose number the environment tells. Snakemake
finds this module by its name, as the folder around it is on the path. Its own text goes wherever it
would without.
"""

from __future__ import annotations

import json
import logging
import os
import signal
from typing import Any

from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent

__all__ = ["LogHandler"]

# Names the open file, by its number.
EVENTS = "FORMKIN_EVENTS"


def _job(record: Any) -> dict[str, Any]:
    return {
        "id": record.jobid,
        "step": record.rule_name,
        "of": {str(name): str(value) for name, value in dict(record.wildcards).items()},
        "log": [str(path) for path in record.log or ()],
    }


_TOLD = {
    LogEvent.JOB_INFO: _job,
    LogEvent.JOB_FINISHED: lambda record: {"id": record.job_id},
    LogEvent.JOB_ERROR: lambda record: {"id": record.jobid},
    LogEvent.ERROR: lambda record: {"error": str(record.exception)},
}


class LogHandler(LogHandlerBase):
    """Tells of jobs that begin, end and fail, and of what stops the engine itself."""

    def __post_init__(self) -> None:
        """Look up where to tell it."""
        self._to = int(os.environ.get(EVENTS, "-1"))

    def emit(self, record: logging.LogRecord) -> None:
        """Tell of one event, if it is one of those that are asked for."""
        event = getattr(record, "event", None)
        if event not in _TOLD or self._to < 0:
            return
        line = json.dumps({"event": event.name.lower(), **_TOLD[event](record)})
        try:
            os.write(self._to, f"{line}\n".encode())
        except OSError:  # nobody listens any more: the run ends with the steps under way
            self._to = -1
            os.kill(os.getpid(), signal.SIGTERM)

    @property
    def writes_to_stream(self) -> bool:
        """Snakemake's own text goes where it went."""
        return False

    @property
    def writes_to_file(self) -> bool:
        """No log file of its own."""
        return False

    @property
    def has_filter(self) -> bool:
        """Nothing is left out."""
        return True

    @property
    def has_formatter(self) -> bool:
        """Events are told as they are."""
        return True

    @property
    def needs_rulegraph(self) -> bool:
        """No drawing is made."""
        return False
