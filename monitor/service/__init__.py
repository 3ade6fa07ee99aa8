"""Ports, settings and the pipeline that joins the core to the adapters."""
