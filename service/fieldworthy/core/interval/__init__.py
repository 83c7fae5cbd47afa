"""The interval language: one line of text that says when a task is due."""
