"""Bit layouts of words, and data objects that keep every bit.

A data object stores the raw integer of each field, so that encoding gives back the very word that
was decoded; values in SI units are properties computed from the raw integers. Bits that the
specification reserves are kept in place in ``reserved_bits``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Self

from brickbook.usbpd.errors import WordError


@dataclass(frozen=True, slots=True)
class BitField:
    """One field of a word: name, highest and lowest bit (bit 0 is the least significant)."""

    name: str
    high: int
    low: int

    @property
    def limit(self) -> int:
        """Largest raw value the field holds."""
        return (1 << (self.high - self.low + 1)) - 1

    @property
    def mask(self) -> int:
        """Bits of the word that belong to the field."""
        return self.limit << self.low

    @property
    def is_flag(self) -> bool:
        """Whether the field is a single bit."""
        return self.high == self.low


@dataclass(frozen=True, slots=True)
class Layout:
    """The fields of a word, the bits that mark its kind, and what is left: the reserved bits."""

    width: int
    fields: tuple[BitField, ...]
    tag_mask: int = 0
    tag: int = 0
    reserved_mask: int = field(init=False)

    def __post_init__(self) -> None:
        used = self.tag_mask
        for part in self.fields:
            if used & part.mask or part.high >= self.width or part.low > part.high:
                raise WordError(f"layout field {part.name!r} overlaps another or leaves the word")
            used |= part.mask
        object.__setattr__(self, "reserved_mask", ((1 << self.width) - 1) & ~used)


def layout(spec: Mapping[str, tuple[int, int] | int], *, width: int = 32, tag_mask: int = 0, tag: int = 0) -> Layout:
    """Build a layout from ``{"name": (high, low)}``, or ``{"name": bit}`` for a single bit.

    Parameters
    ----------
    spec
        Field names and their bits.
    width
        Width of the word [bit].
    tag_mask, tag
        Bits that mark the kind of object, and their value for this kind.

    Returns
    -------
    Layout
        The layout with its reserved bits worked out.

    Raises
    ------
    WordError
        If fields overlap or leave the word.
    """
    fields = tuple(
        BitField(name, bits, bits) if isinstance(bits, int) else BitField(name, *bits) for name, bits in spec.items()
    )
    return Layout(width, fields, tag_mask, tag)


def check_word(word: int, width: int = 32) -> int:
    """Return the word as a plain integer.

    Parameters
    ----------
    word
        Unsigned word; a NumPy integer is accepted.
    width
        Width of the word [bit].

    Returns
    -------
    int
        The same value.

    Raises
    ------
    WordError
        If it is not an unsigned integer of that width.
    """
    value = int(word)
    if value != word or not 0 <= value < 1 << width:
        raise WordError(f"expected an unsigned {width}-bit word, 0 to 0x{(1 << width) - 1:X}; got {word!r}")
    return value


def steps(name: str, value: float, step_milli: int, limit: int) -> int:
    """Raw field value of a quantity that must be a whole number of steps.

    Parameters
    ----------
    name
        What the quantity is called in an error.
    value
        Quantity [V, A or W].
    step_milli
        Step of the field [mV, mA or mW].
    limit
        Largest raw value.

    Returns
    -------
    int
        Raw value.

    Raises
    ------
    WordError
        If the value is not on a step (within 1e-6 of a step) or does not fit. Nothing is rounded
        or clipped silently.
    """
    exact = value * 1000.0 / step_milli
    raw = round(exact)
    if abs(exact - raw) > 1e-6:
        raise WordError(
            f"{name} = {value} is not a multiple of {step_milli / 1000}; "
            f"nearest are {int(exact) * step_milli / 1000} and "
            f"{(int(exact) + 1) * step_milli / 1000}"
        )
    if not 0 <= raw <= limit:
        raise WordError(f"{name} = {value} is outside 0 to {limit * step_milli / 1000}")
    return raw


@dataclass(frozen=True, slots=True, kw_only=True)
class DataObject:
    """Base of all decoded words: raw fields, and the reserved bits in their places."""

    LAYOUT: ClassVar[Layout]

    reserved_bits: int = 0

    def __post_init__(self) -> None:
        shape = self.LAYOUT
        if self.reserved_bits & ~shape.reserved_mask:
            raise WordError(
                f"{type(self).__name__}.reserved_bits = 0x{self.reserved_bits:X} has bits outside "
                f"the reserved ones 0x{shape.reserved_mask:X}"
            )
        for part in shape.fields:
            value = getattr(self, part.name)
            if not 0 <= value <= part.limit:
                raise WordError(
                    f"{type(self).__name__}.{part.name} = {value} does not fit bits "
                    f"{part.high}:{part.low} (0 to {part.limit})"
                )

    @classmethod
    def decode(cls, word: int) -> Self:
        """Decode a word of this kind.

        Parameters
        ----------
        word
            Unsigned word.

        Returns
        -------
        Self
            Raw fields and reserved bits.

        Raises
        ------
        WordError
            If the bits that mark the kind say otherwise, or the word is out of range.
        """
        shape = cls.LAYOUT
        value = check_word(word, shape.width)
        if value & shape.tag_mask != shape.tag:
            raise WordError(
                f"0x{value:0{shape.width // 4}X} is not a {cls.__name__}: bits "
                f"0x{shape.tag_mask:X} should be 0x{shape.tag:X}"
            )
        parts: dict[str, int] = {
            part.name: bool(value >> part.low & 1) if part.is_flag else value >> part.low & part.limit
            for part in shape.fields
        }
        return cls(reserved_bits=value & shape.reserved_mask, **parts)

    def encode(self) -> int:
        """Encode to the word, reserved bits included.

        Returns
        -------
        int
            Unsigned word.
        """
        shape = self.LAYOUT
        word = shape.tag | self.reserved_bits
        for part in shape.fields:
            word |= int(getattr(self, part.name)) << part.low
        return word

    def flags(self) -> dict[str, bool]:
        """Single-bit fields by name.

        Returns
        -------
        dict[str, bool]
            In the order of the layout, highest bit first.
        """
        return {part.name: bool(getattr(self, part.name)) for part in self.LAYOUT.fields if part.is_flag}
