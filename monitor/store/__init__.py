"""Readings, rejected readings, events and outbox on disk."""
