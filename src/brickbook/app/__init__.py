"""The local web app over a book."""

__all__: list[str] = []
