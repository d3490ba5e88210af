"""The page Calls."""
