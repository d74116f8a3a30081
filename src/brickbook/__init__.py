"""Brickbook: the bench book of an independent tester of USB-C chargers."""

__version__ = "0.1.0"
