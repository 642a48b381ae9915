"""Recordings and captures: write, read, import, replay, report, and the virtual rig's sources."""
