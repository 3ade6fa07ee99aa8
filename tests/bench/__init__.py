"""Benches: commands that measure the analyser on plants that it has not seen. Not run by the tests."""
