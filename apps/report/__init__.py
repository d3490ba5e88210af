"""The page to print or send."""
