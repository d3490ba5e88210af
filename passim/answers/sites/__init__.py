"""Is another place better: sites, mounting spots, latitudes and the world, side by side."""
