"""Quizzes and lessons from a shelf: pick, ask, explain, and write as HTML and PDF."""
