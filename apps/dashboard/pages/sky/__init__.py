"""The page Sky."""
