"""Asking targets whether they answer, for months on end, beside whatever else a small machine does."""
