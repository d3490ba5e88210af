"""Answers: one file a question that a user asks."""
