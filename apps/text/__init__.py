"""What answers are called and how they are worded, one file a question; units and durations."""
