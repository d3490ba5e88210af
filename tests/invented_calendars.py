"""Calendar files with invented appointments, as the library icalendar writes them."""

from __future__ import annotations

from datetime import datetime

from icalendar import Calendar, Event


def ics(*appointments: tuple[str, datetime, datetime]) -> bytes:
    """Return a calendar of (title, start, end)."""
    calendar = Calendar()
    calendar.add("prodid", "-//invented//")
    calendar.add("version", "2.0")
    for number, (title, start, end) in enumerate(appointments):
        event = Event()
        event.add("uid", f"{number}-{title}@invented")
        event.add("summary", title)
        for name, moment in (("dtstamp", start), ("dtstart", start), ("dtend", end)):
            event.add(name, moment)
        calendar.add_component(event)
    found: bytes = calendar.to_ical()
    return found
