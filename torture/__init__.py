"""Torture: damaged inputs, kills, full disks, clocks that jump, and long life. Run with `python -m torture`."""
