"""The page Sites."""
