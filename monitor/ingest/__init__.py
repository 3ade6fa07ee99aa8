"""Readings in: MQTT and log files, decoding and checks of payloads."""
