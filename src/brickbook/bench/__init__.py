"""The bench: plan, instruments, runner and interlocks."""

__all__: list[str] = []
