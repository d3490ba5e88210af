"""Does it get better with more satellites: curves, orders of launch, goals, plans."""
