"""Errors of the protocol library: each says what was read, where, and what was expected."""


class UsbPdError(ValueError):
    """Base of every error raised by this package."""


class WordError(UsbPdError):
    """A word or a field that cannot be decoded or encoded as asked."""


class MessageError(UsbPdError):
    """A message whose header, length or chunks do not fit together."""


class LogError(UsbPdError):
    """A message log that cannot be read: names file, line and column."""
