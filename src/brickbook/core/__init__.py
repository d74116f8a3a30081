"""The types and the measurement maths everything else stands on. Imports nothing of the rest of Brickbook."""
