"""When to call: hours, kinds of call, ranking, calendars in and out, and now."""
