"""The study."""
