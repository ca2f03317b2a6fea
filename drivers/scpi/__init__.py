"""Instruments that speak SCPI over a VISA resource: the link, the dialect, the channel on top."""
