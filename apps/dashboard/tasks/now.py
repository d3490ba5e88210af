"""What worker processes run for the page Now: what awaits a call that begins at once."""

from __future__ import annotations

from passim import Span
from passim.answers.calls import forecast as call_forecast, kinds as call_kinds, now as now_answers
from passim.coverage import visibility
from passim.forecast import Calibration, timing

from .passes import Progress


def answer_now(
    seen: visibility.Visibility,
    span: Span,
    kind: call_kinds.CallKind,
    minutes: int,
    model: timing.TimingModel,
    calibration: Calibration | None,
    progress: Progress | None = None,
) -> now_answers.Now:
    """Return what awaits a call at the start of `span`, which lies in what was `seen`. Raises InputError."""
    forecast = call_forecast.ServiceForecast.of(seen, span, model, allow_stale=True, calibration=calibration)
    return now_answers.now(forecast, kind, minutes=minutes)
