"""Brickbook: the bench book of an independent tester of USB-C chargers."""
