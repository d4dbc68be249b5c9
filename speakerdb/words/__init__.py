"""Answers in words, and as JSON documents."""
